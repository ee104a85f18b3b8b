package main

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// TestWhatTheThresholdsRaise: each threshold of the baseline raises its
// condition on plain evidence of it, after its hold, and nothing else does.
func TestWhatTheThresholdsRaise(t *testing.T) {
	ordinary := stretch{minutes: 10, speed: 0.6, value: -30}
	for _, test := range []struct {
		want condition.Name
		see  []stretch
		at   float64 // minute
	}{
		{condition.PinnedAtMax, []stretch{ordinary, {minutes: 23, speed: 1, value: -10}}, 32},
		{"", []stretch{ordinary, {minutes: 21, speed: 1, value: -10}, ordinary}, 0},
		{condition.StuckIdle, []stretch{{minutes: 10, value: -10}, {minutes: 6, value: 40}}, 15},
		{condition.InvertedSign, []stretch{ordinary, {minutes: 11, speed: 0.9, value: 30}}, 20},
		{condition.OffSetpoint, []stretch{ordinary, {minutes: 46, speed: 0.6, value: -45}}, 55},
		{condition.NoEffect, []stretch{ordinary, {minutes: 16, speed: 1, value: 0}}, 25},
		{condition.SensorOutOfRange, []stretch{ordinary, {minutes: 6, speed: 0.5, value: -500}}, 15},
		{condition.ContactDisagrees, []stretch{ordinary, {minutes: 11, speed: 0.9, value: -30}}, 20},
		{condition.OverrideLeftOn, []stretch{ordinary, {minutes: 24*60 + 1, speed: 1, value: -90, forced: true}}, 24*60 + 10},
		{condition.ControllerFault, []stretch{ordinary, {minutes: 2, tripped: true}}, 11},
		{condition.ControllerSilent, []stretch{ordinary, {minutes: 3, outcome: reading.UnitSilent}}, 12},
		{condition.ShortCycling, starting(7, 9), 49.5},
		{condition.Hunting, swinging(20, 2, 0.1), 21},
		{"", swinging(20, 2, 0.01), 0},
	} {
		cfg := suction()
		cfg.Gateway = &config.Gateway{ID: "gw", PollEvery: tick}
		b := newBaseline(&config.Fleet{Fans: []*config.Fan{cfg, {ID: "ef2", Gateway: cfg.Gateway}}})
		got, at := condition.Name(""), 0.0
		jitter := 0.0
		shown(witnessFunc(func(r *reading.Reading) {
			if value, ok := r.Get(reading.Pressure); ok && test.want != condition.SensorOutOfRange {
				jitter = 0.5 - jitter // nothing is frozen
				r.Set(reading.Pressure, value+jitter)
			}
			r.Fan, r.Gateway = "ef1", "gw"
			if speed, ok := r.Get(reading.Speed); ok && test.want != condition.ContactDisagrees {
				r.Set(reading.HighSpeed, truth(speed >= 0.8))
			}
			for _, c := range b.Observe(r) {
				if c.Change == condition.Raised && got == "" {
					got, at = c.Condition, r.Time.Sub(midnight).Minutes()
				}
			}
		}), test.see...)
		if got != test.want || at < test.at || at > test.at+1.5 {
			t.Errorf("%v: raised %q in minute %.1f, want %q in %.1f", test.see, got, at, test.want, test.at)
		}
	}
}

func TestThresholdsOfOneValueAndOfGateways(t *testing.T) {
	gateway := &config.Gateway{ID: "gw", PollEvery: tick}
	for want, make := range map[condition.Name]func(*reading.Reading, int){
		condition.SensorFrozen: func(r *reading.Reading, i int) {
			if r.Fan == "ef2" { // the other moves
				r.Set(reading.Pressure, float64(-30-i%2))
			}
		},
		condition.DataNotMoving: func(*reading.Reading, int) {},
		condition.GatewayDown:   func(r *reading.Reading, _ int) { r.Clear(); r.Outcome = reading.Timeout },
		condition.LineSilent:    func(r *reading.Reading, _ int) { r.Clear(); r.Outcome = reading.UnitSilent },
	} {
		one, two := suction(), suction()
		one.Gateway, two.Gateway, two.ID = gateway, gateway, "ef2"
		b := newBaseline(&config.Fleet{Fans: []*config.Fan{one, two}})
		raised := condition.Name("")
		for i := range 40 * 12 {
			for _, fan := range []reading.FanID{"ef1", "ef2"} {
				var r reading.Reading
				r.Set(reading.Speed, 0.6)
				r.Set(reading.Pressure, -30)
				r.Fan = fan
				make(&r, i)
				r.Fan, r.Gateway, r.Time = fan, "gw", after(float64(i)/12)
				for _, c := range b.Observe(&r) {
					if raised == "" {
						raised = c.Condition
					}
				}
			}
		}
		if raised != want {
			t.Errorf("raised %q first, want %q", raised, want)
		}
	}
}

// witnessFunc looks at readings and never shows anything.
type witnessFunc func(*reading.Reading)

func (f witnessFunc) see(r *reading.Reading) { f(r) }

func (witnessFunc) shown() (at time.Time, limit time.Duration) { return at, limit }
