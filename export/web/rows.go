package web

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// fewFans is how many fans a page shows with every building unfolded.
const fewFans = 60

// buildings lists the buildings, each with its gateways and fans, the worst
// first at every level and otherwise in the order of the fleet file.
func (v *view) buildings() []buildingView {
	place := make(map[*config.Building]int, len(v.snapshot.Fleet.Buildings))
	all := make([]buildingView, len(v.snapshot.Fleet.Buildings))
	for i, b := range v.snapshot.Fleet.Buildings {
		place[b] = i
		all[i] = buildingView{Name: clean(b.Name), ID: clean(string(b.ID))}
	}
	for _, g := range v.snapshot.Gateways {
		b := &all[place[g.Gateway.Building]]
		b.Gateways = append(b.Gateways, v.gateway(g))
	}
	for _, f := range v.snapshot.Fans {
		b := &all[place[f.Fan.Building]]
		b.Fans = append(b.Fans, v.fan(f))
	}
	for i := range all {
		all[i].finish(len(v.snapshot.Fans))
	}
	slices.SortStableFunc(all, func(a, b buildingView) int { return cmp.Compare(b.worst, a.worst) })
	return all
}

// finish orders a building's rows and sums it up.
func (b *buildingView) finish(fleet int) {
	slices.SortStableFunc(b.Gateways, func(x, y gatewayView) int { return cmp.Compare(y.worst, x.worst) })
	slices.SortStableFunc(b.Fans, func(x, y fanView) int { return cmp.Compare(y.worst, x.worst) })
	good := 0
	for _, f := range b.Fans {
		b.worst = max(b.worst, f.worst)
		if f.worst == well {
			good++
		}
	}
	for _, g := range b.Gateways {
		b.worst = max(b.worst, g.worst)
	}
	b.Note = fmt.Sprintf("%d of %d fans well", good, len(b.Fans))
	b.Open = fleet <= fewFans || b.worst > well
}

func (v *view) gateway(g *export.Gateway) gatewayView {
	shown := gatewayView{ID: clean(string(g.Gateway.ID)), worst: gatewayRank(g, v.now)}
	shown.Class = shown.worst.class()
	switch {
	case g.Last.IsZero():
		shown.State, shown.Detail = "not polled yet", clean(g.Gateway.URL)
		return shown
	case g.Up(v.now):
		shown.State = "answers"
	default:
		shown.State = "does not answer"
	}
	shown.Detail = fmt.Sprintf("%s · last cycle %s ago, took %s", clean(g.Gateway.URL), v.ago(g.Last), took(g.Took))
	if g.Missed > 0 {
		shown.Detail += fmt.Sprintf(" · %d cycles missed", g.Missed)
	}
	return shown
}

// took writes the length of a cycle, which is often far below a second.
func took(d time.Duration) string {
	if d < 10*time.Second {
		return fmt.Sprintf("%.2f s", d.Seconds())
	}
	return units.Span(d)
}

func (v *view) fan(f *export.Fan) fanView {
	c := f.Fan
	shown := fanView{Anchor: anchor(c), ID: clean(string(c.ID)), Name: clean(c.Name), Detail: detail(c),
		State: v.state(f), Read: !f.LastGood.IsZero(), worst: fanRank(f, v.now), SpeedBar: -1, Setpoint: "–"}
	shown.Class = shown.worst.class()
	shown.Value = v.fresh(f, c.Controlled(), func(value float64) string { return v.controlled(c, value) })
	shown.Speed = v.fresh(f, reading.Speed, func(value float64) string {
		shown.SpeedBar = int(math.Round(100 * min(1, max(0, value))))
		return v.units.Format(value, units.Ratio)
	})
	if value, ok := f.Setpoint(v.now); ok {
		shown.Setpoint = v.controlled(c, value)
	}
	shown.Age, shown.Old = v.age(f)
	shown.Out = v.handled.out[c.ID]
	for _, s := range f.Standing {
		if s.SilencedBy == "" {
			shown.Standing = append(shown.Standing, chipView{s.Severity.String(), words(string(s.Condition))})
		} else {
			shown.Explained = append(shown.Explained,
				words(string(s.Condition))+", explained by "+words(string(s.SilencedBy)))
		}
	}
	return shown
}

// detail says where a fan is and what hangs on it, under its name.
func detail(c *config.Fan) string {
	parts := []string{}
	for _, part := range []string{string(c.ID), c.Location, c.Serves} {
		if part != "" && part != c.Name {
			parts = append(parts, clean(part))
		}
	}
	return strings.Join(parts, " · ")
}

// state says in a word what the fan does, or why that is not known.
func (v *view) state(f *export.Fan) string {
	switch {
	case f.Polled.IsZero():
		return "not polled yet"
	case !f.Up(v.now):
		return "no answer: " + words(f.Outcome.String())
	case f.Outcome == reading.Invalid:
		return "values marked invalid"
	case f.Outcome == reading.Exception:
		return "refuses to answer"
	}
	return words(f.ModeAt(v.now).String())
}

// age says how old the last good reading is, and whether that is too old.
func (v *view) age(f *export.Fan) (text string, old bool) {
	if f.LastGood.IsZero() {
		return "never read", true
	}
	return v.ago(f.LastGood) + " ago", v.now.Sub(f.LastGood) > f.Fan.Gateway.StaleAfter
}

func fanRank(f *export.Fan, now time.Time) rank {
	if worst := standingRank(f.Standing); worst > well {
		return worst
	}
	if !f.Polled.IsZero() && !f.Up(now) {
		return unanswered
	}
	if _, ok := f.Fresh(f.Fan.Controlled(), now); !ok {
		return unjudged
	}
	return well
}

// standingRank is that of the worst condition that nothing else explains.
func standingRank(standing []condition.Standing) rank {
	worst := well
	for _, s := range standing {
		if s.SilencedBy == "" {
			worst = max(worst, noteStands+rank(s.Severity))
		}
	}
	return worst
}

// class is the rank's name in the style sheet.
func (r rank) class() string {
	return [...]string{"well", "unjudged", "unanswered", "note", "ticket", "page"}[r]
}
