package rules

import (
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestStuckPastItsRestartPoint(t *testing.T) {
	for name, c := range map[string]struct {
		fan  func(*config.Fan)
		read values
		want bool
	}{
		"past":                     {read: at(0, 16), want: true},
		"short of it":              {read: at(0, 14)},
		"within two counts of it":  {read: at(0, 15.3)},
		"the controller tells it":  {fan: func(f *config.Fan) { f.HasRestartRise = false }, read: at(0, 16).with(reading.RestartRise, 45), want: true},
		"not known":                {fan: func(f *config.Fan) { f.HasRestartRise = false }, read: at(0, 40)},
		"permitted, without idle":  {fan: func(f *config.Fan) { f.GoesIdle = false; f.HasRestartRise = false }, read: at(0, 0).with(reading.Enable, 1), want: true},
		"a stop that nobody tells": {fan: func(f *config.Fan) { f.GoesIdle = false; f.HasRestartRise = false }, read: at(0, 0)},
		"not permitted":            {read: at(0, 40).with(reading.Enable, 0)},
		"forced to stand":          {read: at(0, 40).with(reading.Override, 1)},
		"discharge":                {fan: func(f *config.Fan) { f.Probe, f.Setpoint = config.Discharge, 30 }, read: at(0, 0)},
		"airflow":                  {fan: func(f *config.Fan) { f.ControlsAirflow = true }, read: values{reading.Speed: 0, reading.Airflow: 0}},
	} {
		t.Run(name, func(t *testing.T) {
			fleet := testFleet(1)
			f := idling(fleet.Fans[0])
			if c.fan != nil {
				c.fan(f)
			}
			tr := newTrace(t, fleet)
			tr.steady(time.Hour, c.read)
			tr.steady(time.Minute, at(0.5, -30))
			if !c.want {
				tr.want()
				return
			}
			// Two minutes and the start delay of 3 s; it is over when it runs.
			tr.want("2m5s raised stuck_idle ef1", "1h0m0s cleared stuck_idle ef1 recovered")
		})
	}
}

func TestIdleForLongIsANoteAndBecomesMoreWhenThereIsDemand(t *testing.T) {
	fleet := testFleet(1)
	idling(fleet.Fans[0])
	tr := newTrace(t, fleet)
	tr.steady(73*time.Hour, at(0, -60))
	tr.steady(10*time.Minute, at(0, 30))
	tr.steady(10*time.Hour, at(0, -60)) // that demand left cures nothing
	tr.steady(time.Minute, at(0.5, -30))
	tr.want("72h0m0s raised stuck_idle ef1",
		"73h2m45s cleared stuck_idle ef1 superseded", "73h2m45s raised stuck_idle ef1",
		"83h10m0s cleared stuck_idle ef1 recovered")
	for i, want := range map[int]condition.Severity{0: condition.Note, 2: condition.Ticket} {
		if got := tr.got[i].Severity; got != want {
			t.Errorf("change %d has severity %s, want %s", i, got, want)
		}
	}
}

// atRest is a trace of an idle fan whose restart point is out of reach.
func atRest(t *testing.T, seed uint64, gusts float64, pressure func(time.Duration) float64) (*trace, *plant) {
	fleet := testFleet(1)
	idling(fleet.Fans[0]).RestartRise = 300
	p := newPlant(fleet.Fans[0])
	p.noise, p.gusts, p.draw, p.idle, p.speed = rand.New(rand.NewPCG(seed, 7)), gusts, pressure, true, 0
	return newTrace(t, fleet), p
}

func TestDraughtIsNoDemand(t *testing.T) {
	for seed := range uint64(4) {
		tr, p := atRest(t, seed, 8, lowered(sinus(40), 50))
		tr.live(48*time.Hour, p)
		tr.want()
	}
}

func TestAStepThatStaysIsDemand(t *testing.T) {
	for _, from := range []time.Duration{12 * time.Minute, 2 * time.Hour, 5 * time.Hour} {
		for seed := range uint64(4) {
			tr, p := atRest(t, seed, 4, lowered(sinus(20), 50))
			p.push = between(from, 100*time.Hour, 30)
			tr.live(from+90*time.Minute, p)
			tr.within(condition.StuckIdle, midnight.Add(from), time.Hour)
		}
	}
}

func TestRisesThatAreNoSteps(t *testing.T) {
	for name, push := range map[string]func(time.Duration) float64{
		"passes after 15 minutes": between(time.Hour, 75*time.Minute, 30),
		"comes over half an hour": func(at time.Duration) float64 { return clamp((at - time.Hour).Minutes(), 0, 30) },
		"is small":                between(time.Hour, 100*time.Hour, 9),
		"comes back every time":   repeated(40*time.Minute, 10*time.Minute, 30),
	} {
		t.Run(name, func(t *testing.T) {
			tr, p := atRest(t, 3, 3, lowered(push, 50))
			tr.live(6*time.Hour, p)
			tr.want()
		})
	}
}

func TestARiseOverAGapIsNoStep(t *testing.T) {
	tr, p := atRest(t, 1, 2, func(time.Duration) float64 { return -50 })
	tr.live(2*time.Hour, p)
	tr.now = tr.now.Add(3 * time.Hour)
	p.draw = func(time.Duration) float64 { return -20 }
	p.sensed = -20
	tr.live(2*time.Hour, p)
	tr.want()
}

func TestAFanAtRestWhosePermissionCannotBeReadIsNotJudged(t *testing.T) {
	fleet := testFleet(1)
	idling(fleet.Fans[0]).Points = placed(0.25, reading.Pressure, reading.Speed, reading.Enable)
	tr := newTrace(t, fleet)
	for end := tr.now.Add(time.Hour); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
		r := reading.Reading{Fan: "ef1", Time: tr.now}
		r.Set(reading.Speed, 0)
		r.Set(reading.Pressure, 40)
		r.Mark(reading.Enable, reading.Unanswered)
		tr.take(tr.e.Observe(&r))
	}
	tr.want()
}
