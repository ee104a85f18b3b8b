package rules

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// group is a trace of fans of one riser; the first one leads.
func group(t *testing.T, fans int) *trace {
	fleet := testFleet(fans)
	for i, f := range fleet.Fans {
		f.Group, f.Role = "riser-1", config.Parallel
		if i == 0 {
			f.Role = config.Lead
		}
	}
	return newTrace(t, fleet)
}

// each plays every fan its own values.
func (tr *trace) each(span time.Duration, all ...values) {
	tr.play(span, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
		v := all[id[len(id)-1]-'1']
		if v == nil {
			return reading.UnitSilent, nil
		}
		return reading.OK, v
	})
}

func TestAPartnerThatCouldHelpKeepsAFanFromBeingPinned(t *testing.T) {
	top, part, rest := at(1, -10), at(0.5, -10), at(0, -10)
	raised := []string{"22m0s raised pinned_at_max ef1"}
	for name, c := range map[string]struct {
		partner values
		want    []string
	}{
		"runs below its top":    {part, nil},
		"at its top too":        {top, raised},
		"rests":                 {rest, raised},
		"not permitted":         {part.with(reading.Enable, 0), raised},
		"forced to part speed":  {part.with(reading.Override, 1), raised},
		"forced to stand still": {rest.with(reading.Override, 1), raised},
	} {
		t.Run(name, func(t *testing.T) {
			tr := group(t, 2)
			tr.each(30*time.Minute, top, c.partner)
			tr.want(c.want...)
		})
	}
}

func TestAPartnerThatIsSilentDoesNotHelp(t *testing.T) {
	tr := group(t, 2)
	tr.each(10*time.Minute, at(1, -30), at(0.5, -30))
	tr.each(30*time.Minute, at(1, -10), nil)
	if !raised(tr, condition.PinnedAtMax) {
		t.Errorf("changes are %v", tr.log)
	}
}

func TestAPartnerThatNeverHelpsIsTold(t *testing.T) {
	tr := group(t, 2)
	tr.play(70*time.Minute, func(id reading.FanID, since time.Duration) (reading.Outcome, values) {
		if id == "ef1" {
			return reading.OK, at(1, -10)
		}
		return reading.OK, at(0.5, -28-float64(since/time.Second%5))
	})
	tr.want("1h6m0s raised pinned_at_max ef1")
	if want := "; of its group ef2 runs below its top"; !strings.HasSuffix(tr.got[0].Summary, want) {
		t.Errorf("summary %q, want it to end with %q", tr.got[0].Summary, want)
	}
}

func TestTheHoldBeginsWhenTheLastPartnerHasNothingLeft(t *testing.T) {
	tr := group(t, 2)
	tr.each(15*time.Minute, at(1, -10), at(0.8, -10))
	tr.each(30*time.Minute, at(1, -10), at(1, -10))
	if at := tr.got[0].Time.Sub(midnight); at < 37*time.Minute || at > 37*time.Minute+5*time.Second {
		t.Errorf("raised at %s", at)
	}
}

func TestAShortRiserIsToldOnceAndOfItsLead(t *testing.T) {
	tr := group(t, 3)
	tr.fleet.Fans[0].Role, tr.fleet.Fans[2].Role = config.Parallel, config.Lead
	tr.each(time.Hour, at(1, -10), at(1, -12), at(1, -11))
	tr.want("22m0s raised pinned_at_max ef3")
	// The lead is well again (its level is smoothed); who is still short is told in its place.
	tr.each(10*time.Minute, at(1, -10), at(1, -12), at(1, -30))
	tr.want("22m0s raised pinned_at_max ef3", "1h2m25s cleared pinned_at_max ef3 recovered", "1h2m30s raised pinned_at_max ef1")
}

// What befalls both fans of a riser in the same minute befell the riser: a door,
// a cap. What befalls one of them is its own.
func TestARiserThatIsLostIsNoFanThatMovesNothing(t *testing.T) {
	for name, c := range map[string]struct {
		broken []bool
		want   condition.Name
	}{
		"both": {[]bool{true, true}, condition.PinnedAtMax},
		"one":  {[]bool{true, false}, condition.NoEffect},
	} {
		t.Run(name, func(t *testing.T) {
			tr := group(t, 2)
			plants := []*plant{newPlant(tr.fleet.Fans[0]), newPlant(tr.fleet.Fans[1])}
			for i, p := range plants {
				p.push, p.gusts, p.ramp, p.noise = restless(8), 1, 0.006, rand.New(rand.NewPCG(3, uint64(i)))
			}
			tr.live(time.Hour, plants...)
			for i, p := range plants {
				p.broken = c.broken[i]
			}
			tr.live(time.Hour, plants...)
			if len(tr.got) != 1 || tr.got[0].Condition != c.want {
				t.Errorf("changes are %v, want %s once", tr.log, c.want)
			}
		})
	}
}
