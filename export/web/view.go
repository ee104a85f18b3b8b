package web

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// pageView is what the template shows: every text is ready for people, in
// their units and their zone.
type pageView struct {
	Fleet, Version string
	Style          string // changes whenever the style sheet does
	AsOf           string // when the page was made
	AsOfExact      time.Time
	Newest         string // how old the newest good reading is
	Waiting        string // what the first cycle waits for
	Refused        string // why the fleet file on disk is not the one in force
	Counts         []countView
	Attention      []cardView
	Quiet          string // what to say where nothing stands
	Buildings      []buildingView
}

type countView struct {
	Number int
	What   string
	Class  string
}

// cardView is one condition that stands.
type cardView struct {
	Severity, Title, Where, Building string
	Anchor                           string // of the fan it is about
	Summary                          string
	Since                            string
	FirstCheck                       string
	Handled                          string // who saw to it, and how
	Causes                           []condition.Cause
	Evidence                         []evidenceView
	Members                          []memberView // of an incident
}

type memberView struct{ Anchor, Where string }

type evidenceView struct{ Name, Value string }

type buildingView struct {
	Name, ID string
	Note     string // how many of its fans are well
	Open     bool
	Gateways []gatewayView
	Fans     []fanView

	worst rank
}

type gatewayView struct {
	ID, State, Class, Detail string
	worst                    rank
}

type fanView struct {
	Anchor, ID, Name, Detail string
	State, Class             string
	Value, Setpoint          string
	Speed                    string
	SpeedBar                 int // percent, for the bar; -1 for none
	Age                      string
	Old, Read                bool
	Standing                 []chipView
	Explained                []string
	Out                      string // of service: since when, by whom and why

	worst rank
}

type chipView struct{ Severity, Title string }

// view makes the parts of one page.
type view struct {
	snapshot *export.Snapshot
	now      time.Time
	zone     *time.Location
	units    units.System
	handled  handled
}

func newPage(s *export.Snapshot, now time.Time, desk Desk) pageView {
	v := &view{snapshot: s, now: now, zone: s.Fleet.Location, units: s.Fleet.Units}
	if v.zone == nil {
		v.zone = time.UTC
	}
	v.handledBy(desk)
	p := pageView{Fleet: clean(s.Fleet.Name), Version: clean(s.Version), AsOf: now.In(v.zone).Format("Mon 2 Jan 15:04:05 MST"),
		AsOfExact: utc(now), Newest: v.newest(), Waiting: waiting(s), Attention: v.attention(), Buildings: v.buildings()}
	if !s.Reload.Good {
		p.Refused = "The fleet file has a fault and was refused; what was loaded before is still in force"
		if !s.Reload.GoodAt.IsZero() {
			p.Refused += " (loaded " + v.clock(s.Reload.GoodAt) + ")"
		}
	}
	p.Counts, p.Quiet = v.counts(p.Attention)
	return p
}

// newest says how old the freshest good reading of the fleet is.
func (v *view) newest() string {
	var last time.Time
	for _, f := range v.snapshot.Fans {
		if f.LastGood.After(last) {
			last = f.LastGood
		}
	}
	if last.IsZero() {
		return ""
	}
	return v.ago(last)
}

// ago says how long before now a time was; clocks that run apart never make
// it negative.
func (v *view) ago(t time.Time) string { return units.Span(max(0, v.now.Sub(t))) }

// clock writes a time as people on site read it: with the day if it is not
// today.
func (v *view) clock(t time.Time) string {
	t, now := t.In(v.zone), v.now.In(v.zone)
	if t.YearDay() == now.YearDay() && t.Year() == now.Year() {
		return t.Format("15:04")
	}
	return t.Format("Mon 2 Jan 15:04")
}

func (v *view) counts(standing []cardView) (counts []countView, quiet string) {
	by := map[string]int{}
	for _, c := range standing {
		by[c.Severity]++
	}
	up, judged := 0, 0
	for _, f := range v.snapshot.Fans {
		if f.Up(v.now) {
			up++
		}
		if fanRank(f, v.now) != unjudged && fanRank(f, v.now) != unanswered {
			judged++
		}
	}
	for s := condition.Page; ; s-- {
		counts = append(counts, countView{by[s.String()], s.String(), s.String()})
		if s == condition.Note {
			break
		}
	}
	total := len(v.snapshot.Fans)
	counts = append(counts, countView{up, fmt.Sprintf("of %d fans answer", total), "plain"})
	quiet = "No condition stands."
	if rest := total - judged; rest > 0 {
		quiet = fmt.Sprintf("No condition stands, but nothing good is known of %d of %d fans.", rest, total)
	}
	return counts, quiet
}

// raised is a card with what it stands for.
type raised struct {
	card cardView
	s    condition.Standing
}

// attention lists every condition that stands and that no other explains, the
// most urgent first, and among equals the newest. What is part of an incident
// is told with it, once.
func (v *view) attention() []cardView {
	var all []raised
	for _, g := range v.snapshot.Gateways {
		for _, s := range g.Standing {
			card := v.card(s, string(g.Gateway.ID), "", g.Gateway.Building)
			card.Handled = v.handled.alarms[alarmOf{g.Gateway.ID, "", s.Condition}]
			all = append(all, raised{card, s})
		}
	}
	for _, f := range v.snapshot.Fans {
		for _, s := range f.Standing {
			card := v.card(s, f.Fan.Name, anchor(f.Fan), f.Fan.Building)
			card.Handled = v.handled.alarms[alarmOf{f.Fan.Gateway.ID, f.Fan.ID, s.Condition}]
			all = append(all, raised{card, s})
		}
	}
	all = slices.DeleteFunc(all, func(r raised) bool { return r.s.SilencedBy != "" })
	for _, in := range v.snapshot.Incidents {
		all = v.gather(in, all)
	}
	slices.SortStableFunc(all, func(a, b raised) int {
		return cmp.Or(cmp.Compare(b.s.Severity, a.s.Severity), b.s.Since.Compare(a.s.Since))
	})
	cards := make([]cardView, len(all))
	for i, r := range all {
		cards[i] = r.card
	}
	return cards
}

// gather puts one card for an incident in the place of those of its members.
func (v *view) gather(in condition.Incident, all []raised) []raised {
	one := raised{s: condition.Standing{Condition: in.Condition, Since: in.Since}}
	var each []string
	rest := slices.DeleteFunc(all, func(r raised) bool {
		if r.s.Incident != in.ID {
			return false
		}
		one.s.Severity = max(one.s.Severity, r.s.Severity)
		one.card.Members = append(one.card.Members, memberView{r.card.Anchor, r.card.Where})
		one.card.Building = r.card.Building
		each = append(each, r.card.Handled)
		return true
	})
	if len(one.card.Members) == 0 {
		return rest
	}
	one.s.Summary, one.s.Causes = in.Summary, []condition.Cause{in.Cause}
	members, building := one.card.Members, one.card.Building
	one.card = v.card(one.s, "", "", &config.Building{Name: building})
	one.card.Members, one.card.Handled = members, handledTogether(each)
	return append(rest, one)
}

func (v *view) card(s condition.Standing, where, anchor string, in *config.Building) cardView {
	c := cardView{Severity: s.Severity.String(), Title: words(string(s.Condition)), Where: clean(where),
		Building: clean(in.Name), Anchor: anchor, Summary: clean(s.Summary), Causes: cleanCauses(s.Causes),
		Since: fmt.Sprintf("since %s, %s", v.clock(s.Since), v.ago(s.Since))}
	if len(c.Causes) > 0 {
		c.FirstCheck = c.Causes[0].Check
	}
	for _, n := range s.Evidence {
		c.Evidence = append(c.Evidence, v.evidence(n))
	}
	return c
}

func cleanCauses(causes []condition.Cause) []condition.Cause {
	cleaned := make([]condition.Cause, len(causes))
	for i, c := range causes {
		cleaned[i] = condition.Cause{What: clean(c.What), Speaks: clean(c.Speaks), Check: clean(c.Check)}
	}
	return cleaned
}

// evidence writes a number of the evidence in people's units, which its name
// tells: "pressure_pa" is a pressure in pascals.
func (v *view) evidence(n condition.Number) evidenceView {
	of, called := n.Dimension()
	switch {
	case n.Contact():
		return evidenceView{words(called), contact(n)}
	case of == units.Plain:
		return evidenceView{words(called), fmt.Sprintf("%.7g", n.Value)}
	}
	return evidenceView{words(called), v.units.Format(n.Value, of)}
}

// contact writes the state of a contact.
func contact(n condition.Number) string {
	states := [2]string{"off", "on"}
	if strings.HasSuffix(n.Name, "_contact") {
		states = [2]string{"open", "closed"}
	}
	if n.Value != 0 {
		return states[1]
	}
	return states[0]
}

// words makes a name of the files readable: "pinned_at_max" is "pinned at max".
func words(name string) string { return clean(strings.ReplaceAll(name, "_", " ")) }

// anchor is the fan's place on the page.
func anchor(f *config.Fan) string { return "fan-" + clean(string(f.ID)) }

// controlled writes a value of what the fan holds.
func (v *view) controlled(f *config.Fan, value float64) string {
	if f.ControlsAirflow {
		return v.units.Format(value, units.Flow)
	}
	return v.units.Format(value, units.Pressure)
}

// fresh writes a point's value, or a dash where there is none that is good.
func (v *view) fresh(f *export.Fan, p reading.Point, write func(float64) string) string {
	if value, ok := f.Fresh(p, v.now); ok {
		return write(value)
	}
	return "–"
}
