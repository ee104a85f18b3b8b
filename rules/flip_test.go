package rules

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// A weak fan whose tubes are swapped while it runs never reads what branch fans
// cannot push; it turns, and climbs with its speed. (The run at 60 % holds
// -30 Pa; 52 Pa at the top are the 33 Pa that fan laws add, less a little more
// demand.)
func TestAWeakFanWithSwappedTubesTurnsAndClimbs(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 5 * time.Second} {
		for name, c := range map[string]struct {
			climb []float64 // readings at 65, 75, 85, 95 % and then at the top
			want  bool
		}{
			"swapped":                         {climb: []float64{32, 40, 48, 57, 62}, want: true},
			"demand comes first":              {climb: []float64{48, 60, 63, 63, 60}},
			"demand falls back":               {climb: []float64{60, 55, 50, 45, 40}},
			"demand that does no more":        {climb: []float64{30, 20, 5, -10, -25}},
			"demand rises on at the top":      {climb: []float64{25, 25, 25, 25, 25}},
			"a peak that stands where it was": {climb: []float64{31, 31, 30, 30, 31}},
		} {
			tr := newTrace(t, fleetPolled(every))
			tr.steady(10*time.Minute, at(0.6, -30))
			tr.steady(every, at(0.6, 30))
			for i, v := range c.climb[:4] {
				tr.steady(max(5*time.Second, every), at(0.65+0.1*float64(i), v))
			}
			tr.steady(18*time.Minute, at(1, c.climb[4]))
			if got := raised(tr, condition.InvertedSign); got != c.want {
				t.Errorf("%s every %s: raised is %v, want %v: %v", name, every, got, c.want, tr.log)
			}
		}
	}
}

func TestASensorThatDriftsAtTheTopIsNotSwapped(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(10*time.Minute, at(1, -25))
	for v := -25.0; v < 130; v++ {
		tr.steady(40*time.Second, at(1, v))
	}
	tr.steady(10*time.Minute, at(1, 130))
	if raised(tr, condition.InvertedSign) {
		t.Error(tr.log)
	}
}

func TestDemandOverAnIdleFanWithSwappedTubesIsNoStepWhenItLeaves(t *testing.T) {
	fleet := testFleet(1)
	idling(fleet.Fans[0])
	tr := newTrace(t, fleet)
	tr.steady(2*time.Hour, at(0, 0))
	for range 3 {
		tr.steady(time.Hour, at(0, -50))
		tr.steady(time.Hour, at(0, 0))
	}
	tr.want()
}

func TestAFanWhosePartnerDoesTheWorkIsNotStuck(t *testing.T) {
	for name, c := range map[string]struct {
		lead values
		want bool
	}{
		"the lead runs":          {lead: at(0.6, -14)},
		"the lead is at its top": {lead: at(1, -14), want: true},
	} {
		fleet := testFleet(2)
		fleet.Fans[0].Group, fleet.Fans[0].Role = "riser", config.Lead
		fleet.Fans[1].Group, fleet.Fans[1].Role = "riser", config.Standby
		idling(fleet.Fans[1]).RestartRise = 10
		tr := newTrace(t, fleet)
		for end := tr.now.Add(20 * time.Minute); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
			tr.feed("ef1", 0, c.lead)
			tr.feed("ef2", 0, at(0, -14))
		}
		if got := raised(tr, condition.StuckIdle); got != c.want {
			t.Errorf("%s: raised is %v, want %v: %v", name, got, c.want, tr.log)
		}
	}
}

func TestAStepThatNeighboursShareIsNoDemand(t *testing.T) {
	for _, together := range []bool{true, false} {
		fleet := testFleet(2)
		for _, f := range fleet.Fans {
			idling(f).RestartRise = 100
		}
		tr := newTrace(t, fleet)
		tr.steady(2*time.Hour, at(0, -40))
		for end := tr.now.Add(time.Hour); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
			tr.feed("ef1", 0, at(0, -10))
			other := -40.0
			if together {
				other = -5
			}
			tr.feed("ef2", 0, at(0, other))
		}
		if got := raised(tr, condition.StuckIdle); got == together {
			t.Errorf("together %v: raised is %v: %v", together, got, tr.log)
		}
	}
}
