package rules

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// forcedFor plays a fan that is forced from 40 % to its top for five minutes.
func forcedFor(tr *trace, before, after float64) {
	tr.steady(5*time.Minute, at(0.4, before))
	tr.steady(5*time.Minute, at(1, after).with(reading.Override, 1))
	tr.steady(2*time.Minute, at(0.4, before))
}

func TestMovesAreEvidenceOfTheSign(t *testing.T) {
	for name, c := range map[string]struct {
		fan  func(*config.Fan)
		play func(*trace)
		want bool
	}{
		"one far wrong move suffices":  {play: func(tr *trace) { forcedFor(tr, 25, 140) }, want: true},
		"two smaller ones do":          {play: func(tr *trace) { forcedFor(tr, 25, 65); forcedFor(tr, 25, 65) }, want: true},
		"one smaller one does not":     {play: func(tr *trace) { forcedFor(tr, 25, 65) }},
		"a right one between":          {play: func(tr *trace) { forcedFor(tr, 25, 65); forcedFor(tr, 25, -60); forcedFor(tr, 25, 65) }},
		"moves within noise":           {play: func(tr *trace) { forcedFor(tr, 25, 38); forcedFor(tr, 25, 38); forcedFor(tr, 25, 38) }},
		"far, but to where pushes can": {play: func(tr *trace) { forcedFor(tr, -40, 60) }},
		"the right way for discharge": {fan: func(f *config.Fan) { f.Probe, f.Setpoint = config.Discharge, 30 },
			play: func(tr *trace) { forcedFor(tr, 25, 140) }},
		"the wrong way for discharge": {fan: func(f *config.Fan) { f.Probe, f.Setpoint = config.Discharge, 30 },
			play: func(tr *trace) { forcedFor(tr, -25, -140) }, want: true},
		"a sensor at the end of its range": {fan: func(f *config.Fan) { f.HasProbeRange, f.ProbeLow, f.ProbeHigh = true, -140, 140 },
			play: func(tr *trace) { forcedFor(tr, 25, 140); forcedFor(tr, 25, 140) }},
		"a sensor clipped at zero": {fan: func(f *config.Fan) { f.HasProbeRange, f.ProbeLow, f.ProbeHigh = true, 0, 250 },
			play: func(tr *trace) { forcedFor(tr, 0, 140); forcedFor(tr, 0, 140) }},
		"two stops": {play: func(tr *trace) {
			for range 2 {
				tr.steady(5*time.Minute, at(0.6, 30).with(reading.Enable, 1))
				tr.steady(time.Minute+5*time.Second, at(0, 0).with(reading.Enable, 1))
			}
		}, want: true},
		"starts alone": {play: func(tr *trace) {
			for range 4 { // demand outruns the fan while it speeds up
				tr.steady(time.Minute, at(0, 5))
				for _, v := range []values{at(0.3, 5), at(0.5, 15), at(0.8, 25), at(1, 40)} {
					tr.steady(10*time.Second, v)
				}
				tr.steady(time.Minute, at(1, 40))
				tr.steady(5*time.Minute, at(0.25, -30))
			}
		}},
		"a stop for want of permission": {play: func(tr *trace) {
			for range 3 {
				tr.steady(5*time.Minute, at(0.6, -30).with(reading.Enable, 1))
				tr.steady(5*time.Minute, at(0, -200).with(reading.Enable, 0))
			}
		}},
		"a jump over a gap": {play: func(tr *trace) {
			tr.steady(5*time.Minute, at(0.4, 25))
			tr.now = tr.now.Add(time.Hour)
			tr.steady(5*time.Minute, at(1, 140).with(reading.Override, 1).with(reading.Enable, 0))
		}},
	} {
		t.Run(name, func(t *testing.T) {
			fleet := testFleet(1)
			if c.fan != nil {
				c.fan(fleet.Fans[0])
			}
			// Only the moves are on trial.
			setting := fleet.Fans[0].Rules[condition.InvertedSign]
			setting.Hold, setting.Own[condition.MirroredHold] = 24*time.Hour, 86400
			fleet.Fans[0].Rules[condition.InvertedSign] = setting
			tr := newTrace(t, fleet)
			c.play(tr)
			if got := raised(tr, condition.InvertedSign); got != c.want {
				t.Errorf("raised is %v, want %v; changes are %v", got, c.want, tr.log)
			}
		})
	}
}

func raised(tr *trace, name condition.Name) bool {
	for _, t := range tr.got {
		if t.Condition == name && t.Change == condition.Raised {
			return true
		}
	}
	return false
}

func TestWrongSignAtTheTopIsRaisedAfterItsHold(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(time.Hour, at(1, 95))
	tr.steady(10*time.Minute, at(1, -40))
	// Raised alone: what it explains waits its own hold and stays silenced.
	tr.want("3m0s raised inverted_sign ef1", "1h2m30s cleared inverted_sign ef1 recovered")
	if what := tr.got[0].Causes[0].What; what != "the two tubes of the pressure sensor are swapped" {
		t.Errorf("the likeliest cause is %q", what)
	}
}

func TestWhatAWrongSignExplainsStaysVisible(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(1, 40)) // not beyond what can be pushed: pinned
	tr.steady(30*time.Minute, at(1, 95))
	_, verdicts, standing := tr.e.FanView("ef1")
	tr.want("22m0s raised pinned_at_max ef1", "33m50s raised inverted_sign ef1", "33m50s cleared pinned_at_max ef1 silenced")
	if len(standing) != 2 || standing[1].Condition != condition.PinnedAtMax || standing[1].SilencedBy != condition.InvertedSign {
		t.Errorf("standing %+v", standing)
	}
	for _, v := range verdicts {
		if want := v.Condition == condition.InvertedSign; want != (v.State == condition.Present) {
			t.Errorf("verdict %+v", v)
		}
	}
}

func TestAWrongSignAtTheTopWithinWhatDemandPushesIsNone(t *testing.T) {
	for _, pressure := range []float64{30, 50, 74, 89} { // three times 30 Pa is 90 Pa
		tr := newTrace(t, testFleet(1))
		tr.steady(20*time.Minute, at(1, pressure))
		tr.want()
	}
}

func TestMirroredSetpoint(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(0.55, 29))
	tr.steady(15*time.Minute, at(0.55, -29))
	tr.want("20m0s raised inverted_sign ef1", "40m55s cleared inverted_sign ef1 recovered")
	if what := tr.got[0].Causes[0].What; what != "the point map loses the sign: type, scale or word order" {
		t.Errorf("the likeliest cause is %q", what)
	}
}

// Where only the map lost the sign, a demand peak shows as a fall while the fan
// runs to its top: that looks right and proves nothing.
func TestADemandPeakDoesNotDisproveALostSign(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(0.55, 30))
	for _, v := range []values{at(0.7, 0), at(0.85, -30), at(1, -45)} {
		tr.steady(5*time.Second, v)
	}
	tr.steady(15*time.Minute, at(1, -45))
	tr.steady(30*time.Minute, at(0.55, 30))
	tr.want("20m0s raised inverted_sign ef1")
}

// ramp plays a fan that runs to its top within 20 s as the reading rises far
// into the wrong sign, and stays there.
func ramp(tr *trace, stays time.Duration) {
	tr.steady(10*time.Minute, at(0.55, -30))
	for _, v := range []values{at(0.6, -20), at(0.8, -5), at(0.9, 40)} {
		tr.steady(5*time.Second, v)
	}
	tr.steady(stays, at(1, 85)) // beyond 75 Pa, short of three times the setpoint
}

func TestARunToTheTopIsProofOnceItHasStood(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	ramp(tr, 30*time.Minute)
	tr.within(condition.InvertedSign, midnight.Add(10*time.Minute), 5*time.Minute)
}

func TestAGustAtARunToTheTopIsNoProof(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	ramp(tr, 2*time.Minute)
	tr.steady(time.Hour, at(0.55, -30))
	tr.want()
}

func TestAFanThatControlsAirflowHasNoSign(t *testing.T) {
	fleet := testFleet(1)
	f := fleet.Fans[0]
	f.ControlsAirflow, f.Setpoint = true, 0.5
	tr := newTrace(t, fleet)
	tr.steady(40*time.Minute, values{reading.Speed: 0.6, reading.Airflow: -0.5})
	tr.want()
	_, verdicts, _ := tr.e.FanView("ef1")
	for _, v := range verdicts {
		if v.Condition == condition.InvertedSign && v.State != condition.CannotJudge {
			t.Errorf("verdict %+v", v)
		}
	}
}
