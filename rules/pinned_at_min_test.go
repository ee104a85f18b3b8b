package rules

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestAFanThatDrawsTooMuchAtItsLowestIsANote(t *testing.T) {
	for _, every := range polls {
		rnd := rand.New(rand.NewPCG(1, 4))
		tr := newTrace(t, fleetPolled(every))
		low := func(time.Duration) values { return at(0.2, -42+rnd.NormFloat64()) }
		tr.run(time.Hour, low)
		tr.run(5*time.Minute, func(time.Duration) values { return at(0.4, -30+rnd.NormFloat64()) }) // demand for a moment
		tr.run(90*time.Minute, low)
		tr.within(condition.PinnedAtMin, midnight, 126*time.Minute+2*every)
		if len(tr.got) > 0 && tr.got[0].Severity != condition.Note {
			t.Errorf("severity is %s", tr.got[0].Severity)
		}
		tr.run(15*time.Minute, func(time.Duration) values { return at(0.4, -30+rnd.NormFloat64()) })
		if len(tr.got) != 2 || tr.got[1].Reason != condition.Recovered {
			t.Errorf("every %s: %v", every, tr.log)
		}
	}
}

func TestWhatIsNotPinnedAtItsLowest(t *testing.T) {
	for name, c := range map[string]struct {
		read func(since time.Duration) values
		set  func(f *config.Fan)
	}{
		"at setpoint":         {read: func(time.Duration) values { return at(0.2, -33) }},
		"short":               {read: func(time.Duration) values { return at(0.2, -15) }},
		"above its lowest":    {read: func(time.Duration) values { return at(0.25, -42) }},
		"it can go idle":      {read: func(time.Duration) values { return at(0.2, -42) }, set: func(f *config.Fan) { idling(f) }},
		"demand in between":   {read: func(since time.Duration) values { return at(0.2+0.3*step01(since%time.Hour > 48*time.Minute), -42) }},
		"at rest":             {read: func(time.Duration) values { return at(0, -42) }},
		"forced":              {read: func(time.Duration) values { return at(0.2, -42).with(reading.Override, 1) }},
		"it holds a setpoint": {read: func(time.Duration) values { return at(0.2, 42) }, set: func(f *config.Fan) { f.Probe, f.Setpoint = config.Discharge, 40 }},
	} {
		t.Run(name, func(t *testing.T) {
			fleet := testFleet(1)
			if c.set != nil {
				c.set(fleet.Fans[0])
			}
			tr := newTrace(t, fleet)
			tr.run(5*time.Hour, c.read)
			for _, c := range tr.got {
				if c.Condition == condition.PinnedAtMin {
					t.Errorf("%s: %s", c.Time.Sub(midnight), c.Summary)
				}
			}
		})
	}
}

// In the cold, a tall riser whose probe breathes indoors is explained by
// draught first; one whose probe breathes outdoors, or a warm day, is not.
func TestDraughtAtTheLowestSpeed(t *testing.T) {
	for name, c := range map[string]struct {
		height, outside float64
		reference       config.Reference
		first           bool
	}{
		"a cold day":        {60, -10, config.Indoor, true},
		"a warm day":        {60, 18, config.Indoor, false},
		"a low riser":       {4, -10, config.Indoor, false},
		"breathes outdoors": {60, -10, config.Outdoor, false},
	} {
		fleet := testFleet(1)
		f := fleet.Fans[0]
		f.RiserHeight, f.Reference = c.height, c.reference
		f.Points = append(f.Points, placed(0.1, reading.OutdoorTemperature)...)
		tr := newTrace(t, fleet)
		tr.steady(121*time.Minute, at(0.2, -42).with(reading.OutdoorTemperature, c.outside))
		if len(tr.got) != 1 {
			t.Fatalf("%s: %v", name, tr.log)
		}
		causes := tr.got[0].Causes
		if first := strings.Contains(causes[0].Speaks, "a riser of"); first != c.first {
			t.Errorf("%s: first cause is %q", name, causes[0].What)
		}
		if last := causes[len(causes)-1].What; !c.first && !strings.Contains(last, "draught") {
			t.Errorf("%s: draught is not spoken of; last is %q", name, last)
		}
	}
}

// 3463 (1/263.15 - 1/293.15) = 1.347 Pa a metre, worked by hand from the ideal
// gas law at 101.325 kPa.
func TestStackEffectAMetre(t *testing.T) {
	p := &pinnedAtMin{outside: -10, knows: true}
	f := &fan{cfg: &config.Fan{RiserHeight: 1}}
	if pa, known := p.draught(f); !known || math.Abs(pa-1.347) > 0.001 {
		t.Errorf("draught is %v, %v", pa, known)
	}
}
