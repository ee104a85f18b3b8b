package main

import (
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

var midnight = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// stretch is a while of the same values, every 5 s.
type stretch struct {
	minutes        float64
	speed, value   float64
	outcome        reading.Outcome
	disabled, gone bool // gone: nothing recorded
	forced         bool
	tripped        bool
}

// shown feeds stretches to a witness and returns from which minute it was shown,
// -1 if never, and the limit.
func shown(w witness, stretches ...stretch) (from float64, limit time.Duration) {
	now := midnight
	for _, s := range stretches {
		for end := now.Add(time.Duration(s.minutes * float64(time.Minute))); now.Before(end); now = now.Add(tick) {
			r := reading.Reading{Time: now, Outcome: s.outcome}
			if s.outcome == reading.OK {
				r.Set(reading.Speed, s.speed)
				r.Set(reading.Pressure, s.value)
				r.Set(reading.Enable, 1)
				r.Set(reading.HighSpeed, 0)
				r.Set(reading.Override, truth(s.forced))
				r.Set(reading.Fault, truth(s.tripped))
			}
			if s.disabled {
				r.Set(reading.Enable, 0)
			}
			if !s.gone {
				w.see(&r)
			}
		}
	}
	at, limit := w.shown()
	if at.IsZero() {
		return -1, limit
	}
	return at.Sub(midnight).Minutes(), limit
}

func truth(is bool) float64 {
	if is {
		return 1
	}
	return 0
}

// suction is a fan at -30 Pa that restarts 45 Pa away.
func suction() *config.Fan {
	return &config.Fan{ID: "ef1", Probe: config.Suction, Setpoint: -30, HasSetpoint: true, MinSpeed: 0.2, MaxSpeed: 1,
		StoppedBelow: 0.05, GoesIdle: true, IdleBelow: 0.2, HasRestartRise: true, RestartRise: 45,
		Rules: condition.Settings{condition.PinnedAtMin: {Hold: time.Hour},
			condition.OverrideLeftOn: {Own: map[string]float64{condition.OverrideAtMost: 24 * 3600}}},
		HasHighSpeed: true, HighSpeedAt: 0.8, HighSpeedOffAt: 0.75, HasProbeRange: true, ProbeLow: -500, ProbeHigh: 500}
}

func TestFromWhenReadingsShowAFault(t *testing.T) {
	ordinary := stretch{minutes: 10, speed: 0.6, value: -30}
	idle := stretch{minutes: 30, speed: 0, value: -40}
	for _, test := range []struct {
		name      string
		want      condition.Name
		discharge bool
		see       []stretch
		from      float64
		limit     time.Duration
	}{
		{"short at the top", condition.PinnedAtMax, false, []stretch{ordinary, {minutes: 40, speed: 1, value: -10}}, 10, 30 * minute},
		{"short at the top, on discharge", condition.PinnedAtMax, true, []stretch{{minutes: 10, speed: 0.6, value: 30}, {minutes: 40, speed: 1, value: 10}}, 10, 30 * minute},
		{"a peak of 25 minutes", condition.PinnedAtMax, false, []stretch{{minutes: 25, speed: 1, value: -10}, ordinary}, -1, 0},
		{"within the tolerance", condition.PinnedAtMax, false, []stretch{{minutes: 60, speed: 1, value: -26}}, -1, 0},
		{"not permitted to run", condition.PinnedAtMax, false, []stretch{{minutes: 60, speed: 1, value: -10, disabled: true}}, -1, 0},
		{"half a minute off its top", condition.PinnedAtMax, false, []stretch{ordinary, {minutes: 15, speed: 1, value: -10},
			{minutes: 0.5, speed: 0.9, value: -10}, {minutes: 20, speed: 1, value: -10}}, 10, 30 * minute},
		{"past the restart point", condition.StuckIdle, false, []stretch{idle, {minutes: 10, value: 20}}, 30, 60 * minute},
		{"a step that stayed", condition.StuckIdle, false, []stretch{idle, {minutes: 40, value: -5}}, 30, 60 * minute},
		{"a step that went again", condition.StuckIdle, false, []stretch{idle, {minutes: 10, value: -5}, idle}, -1, 0},
		{"at rest", condition.StuckIdle, false, []stretch{idle, idle}, -1, 0},
		{"on discharge at rest", condition.StuckIdle, true, []stretch{{minutes: 60, value: 0}}, -1, 0},
		{"wrong from a start", condition.InvertedSign, false, []stretch{idle, {minutes: 20, speed: 1, value: 80}}, 30, 15 * minute},
		{"80 Pa wrong with no start", condition.InvertedSign, false, []stretch{ordinary, {minutes: 20, speed: 1, value: 80}}, -1, 0},
		{"far wrong at the top", condition.InvertedSign, false, []stretch{ordinary, {minutes: 20, speed: 1, value: 120}}, 10, 20 * minute},
		{"at the end of its range", condition.InvertedSign, false, []stretch{ordinary, {minutes: 20, speed: 1, value: 500}}, 10, 20 * minute},
		{"minus its setpoint", condition.InvertedSign, false, []stretch{{minutes: 60, speed: 0.5, value: 30}}, 0, 30 * minute},
		{"unheard", condition.ControllerSilent, false, []stretch{ordinary, {minutes: 10, outcome: reading.UnitSilent}}, 10, 2*minute + 2*tick},
		{"unheard for a minute", condition.ControllerSilent, false, []stretch{ordinary, {minutes: 1, outcome: reading.UnitSilent}, ordinary}, -1, 0},
		{"nothing recorded", condition.GatewayDown, false, []stretch{ordinary, {minutes: 10, gone: true}, ordinary}, -1, 0},
	} {
		cfg := suction()
		if test.discharge {
			cfg.Probe, cfg.Setpoint = config.Discharge, 30
		}
		from, limit := shown(witnessOf(test.want, cfg, tick), test.see...)
		if d := from - test.from; d < -0.01 || d > 1.5 || from >= 0 && limit != test.limit || test.from < 0 && from != -1 {
			t.Errorf("%s: shown from minute %.1f within %s, want %.1f within %s", test.name, from, limit, test.from, test.limit)
		}
	}
}

// swinging is a loop that never settles: cycles of a length, in minutes.
func swinging(cycles int, minutes, speed float64) (all []stretch) {
	for range cycles {
		all = append(all, stretch{minutes: minutes / 2, speed: 0.6 + speed, value: -30}, stretch{minutes: minutes / 2, speed: 0.6 - speed, value: -30})
	}
	return all
}

// starting is a fan that starts once in so many minutes and stops half of that
// later.
func starting(times int, minutes float64) (all []stretch) {
	for range times {
		all = append(all, stretch{minutes: minutes / 2, value: -40}, stretch{minutes: minutes / 2, speed: 0.4, value: -30})
	}
	return all
}

// TestFromWhenReadingsShowWhatIsHeld: the conditions whose evidence stands or
// adds up.
func TestFromWhenReadingsShowWhatIsHeld(t *testing.T) {
	ordinary := stretch{minutes: 10, speed: 0.6, value: -30}
	fast := stretch{minutes: 8, speed: 0.9, value: -30}
	for _, test := range []struct {
		name  string
		want  condition.Name
		see   []stretch
		from  float64
		limit time.Duration
	}{
		{"a cycle in two minutes", condition.Hunting, append([]stretch{ordinary}, swinging(20, 2, 0.1)...), 10, 50 * minute},
		{"six slow cycles", condition.Hunting, swinging(8, 6, 0.1), 6, 66 * minute},
		{"five cycles", condition.Hunting, swinging(5, 6, 0.1), -1, 0},
		{"a ripple", condition.Hunting, swinging(40, 2, 0.015), -1, 0},
		{"cycles that get ever longer", condition.Hunting, slices.Concat(swinging(2, 1, 0.1), swinging(2, 4, 0.1), swinging(2, 9, 0.1), swinging(2, 3, 0.1)), -1, 0},
		{"open at high speed", condition.ContactDisagrees, []stretch{ordinary, fast, ordinary, fast, ordinary, fast}, 10, 40 * minute},
		{"open at high speed too briefly", condition.ContactDisagrees, []stretch{ordinary, fast, ordinary, fast}, -1, 0},
		{"within five points", condition.ContactDisagrees, []stretch{{minutes: 60, speed: 0.84, value: -30}}, -1, 0},
		{"commanded", condition.NoEffect, []stretch{ordinary, {minutes: 25, speed: 0.6}}, 0, 30 * minute},
		{"commanded briefly", condition.NoEffect, []stretch{{minutes: 25, speed: 0.6}, {minutes: 10, speed: 0.3}}, -1, 0},
		{"one value at one speed", condition.SensorFrozen, []stretch{{minutes: 200, speed: 0.6, value: -30}}, -1, 0},
		{"one value while the speed moves", condition.SensorFrozen, []stretch{ordinary, {minutes: 70, speed: 0.8, value: -30}}, 10, 60 * minute},
		{"one value, then another", condition.SensorFrozen, []stretch{ordinary, {minutes: 50, speed: 0.8, value: -30}, {minutes: 50, speed: 0.8, value: -31}}, -1, 0},
		{"at its end", condition.SensorOutOfRange, []stretch{ordinary, {minutes: 12, speed: 1, value: 499}}, 10, 10 * minute},
		{"at its end for a while", condition.SensorOutOfRange, []stretch{ordinary, {minutes: 8, speed: 1, value: 500}, ordinary}, -1, 0},
		{"away from setpoint", condition.OffSetpoint, []stretch{ordinary, {minutes: 50, speed: 0.6, value: -45}}, 10, 105 * minute},
		{"away for a while", condition.OffSetpoint, []stretch{{minutes: 40, speed: 0.6, value: -45}, ordinary}, -1, 0},
		{"at its lowest speed", condition.PinnedAtMin, []stretch{ordinary, {minutes: 70, speed: 0.2, value: -45}}, 10, 65 * minute},
		{"at its lowest speed, held", condition.PinnedAtMin, []stretch{{minutes: 90, speed: 0.2, value: -32}}, -1, 0},
		{"six starts", condition.ShortCycling, starting(7, 9), 49.5, 60 * minute},
		{"six starts in more than an hour", condition.ShortCycling, starting(12, 13), -1, 0},
		{"forced", condition.OverrideLeftOn, []stretch{ordinary, {minutes: 24*60 + 3, speed: 1, value: -90, forced: true}}, 10, (24*60 + 1) * minute},
		{"forced for a day less", condition.OverrideLeftOn, []stretch{{minutes: 24*60 - 3, speed: 1, value: -90, forced: true}, ordinary}, -1, 0},
		{"a fault of its own", condition.ControllerFault, []stretch{ordinary, {minutes: 3, tripped: true}}, 10, 1*minute + 2*tick},
	} {
		cfg := suction()
		cfg.GoesIdle = false
		from, limit := shown(witnessOf(test.want, cfg, tick), test.see...)
		if d := from - test.from; d < -0.01 || d > 1.5 || from >= 0 && (limit-test.limit).Abs() > 2*minute || test.from < 0 && from != -1 {
			t.Errorf("%s: shown from minute %.1f within %s, want %.1f within %s", test.name, from, limit, test.from, test.limit)
		}
	}
}

func TestFromWhenReadingsShowChangedSettings(t *testing.T) {
	l := &label{onset: after(10)}
	w := onLabel{witnessOf(condition.SettingsChanged, suction(), tick), l}
	for _, values := range []struct{ to, least float64 }{{10, 0.2}, {20, 0.201}, {60, 0.4}} {
		for now := after(values.to - 10); now.Before(after(values.to)); now = now.Add(tick) {
			r := reading.Reading{Time: now}
			r.Set(reading.MinSpeed, values.least)
			w.see(&r)
		}
	}
	if at, _ := w.shown(); !at.IsZero() {
		t.Errorf("ten minutes show it at %s", at)
	}
	for now := after(60); now.Before(after(100)); now = now.Add(tick) {
		r := reading.Reading{Time: now}
		r.Set(reading.MinSpeed, 0.4)
		w.see(&r)
	}
	if at, limit := w.shown(); !at.Equal(after(60)) && !at.Equal(after(50)) || limit != 30*minute {
		t.Errorf("shown at %s within %s", at, limit)
	}
}

func TestFromWhenAGatewayShowsThatItRepeats(t *testing.T) {
	gateway := &config.Gateway{ID: "gw", PollEvery: tick}
	cfg, truth := suction(), reading.Reading{}
	cfg.Gateway = gateway
	p := &repeatsEye{truth: func(_ reading.FanID, r *reading.Reading) { *r = truth }, fans: map[reading.FanID]*config.Fan{"ef1": cfg},
		last: make(map[reading.FanID]reading.Reading), stood: total{need: 30 * minute, grace: 3 * tick}}
	for now := after(0); now.Before(after(120)); now = now.Add(tick) {
		r := reading.Reading{Fan: "ef1", Time: now}
		r.Set(reading.Speed, 0.5)
		r.Set(reading.Pressure, -30)
		truth.Set(reading.Speed, 0.5)
		truth.Set(reading.Pressure, -31)
		if minutes := now.Sub(midnight).Minutes(); minutes >= 20 && minutes < 40 || minutes >= 60 {
			truth.Set(reading.Pressure, -50)
		}
		p.see(&r)
	}
	if at, limit := p.shown(); !at.Equal(after(20)) || (limit-50*minute).Abs() > minute {
		t.Errorf("shown at %s within %s", at, limit)
	}
}

// TestAWeekAboveItsTwin: five points for two weeks on end.
func TestAWeekAboveItsTwin(t *testing.T) {
	for _, test := range []struct {
		more []float64 // points above, week by week
		week int       // -1: never
	}{{[]float64{0, 4, 6, 3, 6, 7, 8}, 4}, {[]float64{0, 6, 4, 6, 4, 6}, -1}, {[]float64{6, 6, 0}, 0}} {
		p := &weekEye{cfg: suction(), start: midnight}
		for i, points := range test.more {
			p.sum, p.n = points, 100
			p.end(i + 1)
		}
		want := time.Time{}
		if test.week >= 0 {
			want = midnight.Add(time.Duration(test.week) * week)
		}
		if at, _ := p.shown(); !at.Equal(want) {
			t.Errorf("%v: shown at %s, want %s", test.more, at, want)
		}
	}
}

func TestWhenAFanPartsFromItsTwin(t *testing.T) {
	make := func(speed, value, contact float64) *reading.Reading {
		var r reading.Reading
		r.Set(reading.Speed, speed)
		r.Set(reading.Pressure, value)
		r.Set(reading.HighSpeed, contact)
		return &r
	}
	healthy := make(0.6, -30, 0)
	for _, test := range []struct {
		r    *reading.Reading
		want bool
	}{{make(0.6, -30, 0), false}, {make(0.64, -34, 0), false}, {make(0.66, -30, 0), true}, {make(0.6, -24, 0), true},
		{make(0.6, -30, 1), true}, {&reading.Reading{}, false}} {
		if parted(suction(), test.r, healthy) != test.want {
			t.Errorf("%+v", test)
		}
	}
}
