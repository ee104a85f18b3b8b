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

// A narrow sensor whose reading, with the wrong sign, runs into its end before
// anything else can be seen. One that breaks jumps there, and shows nothing
// between.
func TestAWrongSignRunsIntoTheEndOfANarrowSensor(t *testing.T) {
	for name, c := range map[string]struct {
		climb []float64 // readings at 34, 50, 60, 80 % and then at the top
		want  condition.Name
	}{
		"swapped":            {climb: []float64{-4, 42, 92, 124, 124}, want: condition.InvertedSign},
		"broken":             {climb: []float64{124, 124, 124, 124, 124}, want: condition.SensorOutOfRange},
		"a peak that is met": {climb: []float64{-4, 42, 92, 124, 50}},
	} {
		fleet := testFleet(1)
		fleet.Fans[0].HasProbeRange, fleet.Fans[0].ProbeLow, fleet.Fans[0].ProbeHigh = true, -125, 125
		fleet.Fans[0].Setpoint = -42
		tr := newTrace(t, fleet)
		tr.steady(10*time.Minute, at(0.3, -42))
		for i, v := range c.climb[:4] {
			tr.steady(5*time.Second, at([]float64{0.34, 0.5, 0.6, 0.8}[i], v))
		}
		tr.steady(18*time.Minute, at(1, c.climb[4]))
		for _, one := range []condition.Name{condition.InvertedSign, condition.SensorOutOfRange} {
			if got := raised(tr, one); got != (one == c.want) {
				t.Errorf("%s: %s raised is %v: %v", name, one, got, tr.log)
			}
		}
	}
}

// A strong fan on a slow controller: demand rises for two minutes as fast as the
// fan speeds up, so that the reading turns to its mirror image on the way and ends
// above it at the top. The fan alone made more than that climb shows.
func TestDemandThatRisesWithAStrongFanIsNoTurn(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].Setpoint = -12
	tr := newTrace(t, fleet)
	tr.steady(10*time.Minute, at(0.45, -12))
	tr.steady(5*time.Second, at(0.46, 11))
	for i := range 16 {
		tr.steady(5*time.Second, at(0.46+0.034*float64(i), 12+float64(i)*1.1))
	}
	tr.steady(18*time.Minute, at(1, 30))
	if raised(tr, condition.InvertedSign) {
		t.Error(tr.log)
	}
}

func TestAReadingThatRisesOnAtTheTopToItsEndIsADrift(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].HasProbeRange, fleet.Fans[0].ProbeLow, fleet.Fans[0].ProbeHigh = true, -500, 500
	tr := newTrace(t, fleet)
	tr.steady(10*time.Minute, at(0.3, -30))
	for v := -30.0; v < 500; v += 25 { // 5 Pa a second
		tr.steady(5*time.Second, at(min(1, 0.3+0.7*(v+30)/405), v))
	}
	tr.steady(18*time.Minute, at(1, 500))
	if raised(tr, condition.InvertedSign) {
		t.Error(tr.log)
	}
}
