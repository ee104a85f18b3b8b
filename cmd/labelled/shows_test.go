package main

import (
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

// suction is a fan at -30 Pa that restarts 45 Pa away.
func suction() *config.Fan {
	return &config.Fan{ID: "ef1", Probe: config.Suction, Setpoint: -30, HasSetpoint: true, MinSpeed: 0.2, MaxSpeed: 1,
		StoppedBelow: 0.05, GoesIdle: true, IdleBelow: 0.2, HasRestartRise: true, RestartRise: 45,
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
