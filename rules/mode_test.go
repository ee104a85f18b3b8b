package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestModes(t *testing.T) {
	atRest := at(0, 0)
	for name, c := range map[string]struct {
		idles    bool
		readings []values // a minute apart; nil is a timeout
		want     condition.Mode
	}{
		"nothing read":             {readings: []values{nil}, want: condition.Unknown},
		"first seen running":       {readings: []values{at(0.6, -30)}, want: condition.Controlling},
		"at its top":               {readings: []values{at(0.98, -30)}, want: condition.AtMax},
		"at its lowest":            {readings: []values{at(0.22, -30)}, want: condition.AtMin},
		"about to go idle":         {idles: true, readings: []values{at(0.21, -30)}, want: condition.RunOn},
		"at rest":                  {readings: []values{atRest}, want: condition.Stopped},
		"idle":                     {idles: true, readings: []values{atRest}, want: condition.Idle},
		"a speed too small to run": {readings: []values{at(0.049, 0)}, want: condition.Stopped},
		"not permitted":            {readings: []values{at(0.6, -30).with(reading.Enable, 0)}, want: condition.Disabled},
		"permitted":                {readings: []values{at(0.6, -30).with(reading.Enable, 1)}, want: condition.Controlling},
		"forced":                   {readings: []values{at(1, -30).with(reading.Override, 1)}, want: condition.Forced},
		"not permitted and forced": {readings: []values{at(0, 0).with(reading.Override, 1).with(reading.Enable, 0)},
			want: condition.Disabled},
		"just started":  {readings: []values{atRest, at(0.6, -30)}, want: condition.Starting},
		"started":       {readings: []values{atRest, at(0.6, -30), at(0.6, -30)}, want: condition.Controlling},
		"a lost poll":   {readings: []values{at(0.6, -30), at(0.6, -30), nil}, want: condition.Controlling},
		"lost for long": {readings: []values{at(0.6, -30), nil, nil, nil, nil}, want: condition.Unknown},
	} {
		t.Run(name, func(t *testing.T) {
			fleet := fleetPolled(time.Minute)
			if c.idles {
				idling(fleet.Fans[0])
			}
			tr := newTrace(t, fleet)
			for _, v := range c.readings {
				o := reading.OK
				if v == nil {
					o = reading.Timeout
				}
				tr.feed("ef1", o, v)
				tr.now = tr.now.Add(time.Minute)
			}
			if mode, _, _ := tr.e.FanView("ef1"); mode != c.want {
				t.Errorf("mode is %s, want %s", mode, c.want)
			}
		})
	}
}

// TestAContactThatIsMappedAndCannotBeReadIsNotGuessed lets the override of a
// fan at its top be unreadable: it may be forced, so it is not judged pinned.
func TestAContactThatIsMappedAndCannotBeReadIsNotGuessed(t *testing.T) {
	fleet := testFleet(1)
	tr := newTrace(t, fleet)
	unreadable := func(span time.Duration) {
		for end := tr.now.Add(span); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
			r := reading.Reading{Fan: "ef1", Time: tr.now}
			r.Set(reading.Speed, 1)
			r.Set(reading.Pressure, -10)
			r.Mark(reading.Override, reading.Unanswered)
			tr.take(tr.e.Observe(&r))
		}
	}
	fleet.Fans[0].Points = placed(0.25, reading.Pressure, reading.Speed, reading.Override)
	tr.take(tr.e.Reload(fleet, tr.now))
	unreadable(time.Hour)
	tr.want()
	fleet.Fans[0].Points = placed(0.25, reading.Pressure, reading.Speed)
	tr.take(tr.e.Reload(fleet, tr.now))
	unreadable(23 * time.Minute)
	tr.want("1h22m0s raised pinned_at_max ef1")
}

func TestFlowOfAVelocityProbeIsJudged(t *testing.T) {
	fleet := testFleet(1)
	f := fleet.Fans[0]
	f.ControlsAirflow, f.Setpoint, f.ProbeArea = true, 0.5, 0.1
	f.Points = placed(1, reading.VelocityPressure, reading.Speed)
	tr := newTrace(t, fleet)
	// V = sqrt(2 * 5 / 1.20138) = 2.885 m/s, so 0.2885 m3/s of 0.5.
	tr.steady(30*time.Minute, values{reading.Speed: 1, reading.VelocityPressure: 5})
	tr.want("22m0s raised pinned_at_max ef1")
	want := "at top speed (100 %) for 22 min, reading 289 L/s against a setpoint of 500 L/s"
	if got := tr.got[0].Summary; got != want {
		t.Errorf("summary %q, want %q", got, want)
	}
	for _, n := range tr.got[0].Evidence {
		if n.Name == "pressure_pa" {
			t.Errorf("a flow is called a pressure: %v", n)
		}
	}
}
