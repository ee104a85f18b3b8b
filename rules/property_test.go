package rules

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// anyValue draws a value of a point: mostly plausible, sometimes no number.
func anyValue(t *rapid.T, p reading.Point) float64 {
	switch {
	case p.Contact():
		return float64(rapid.IntRange(0, 1).Draw(t, p.String()))
	case rapid.IntRange(0, 50).Draw(t, "odd") == 0:
		return rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), -math.MaxFloat64, math.MaxFloat64}).Draw(t, "no number")
	case p == reading.Speed:
		return rapid.SampledFrom([]float64{0, 0.2, 0.6, 1}).Draw(t, "speed")
	}
	return rapid.SampledFrom([]float64{-200, -30, -10, 0, 20, 30, 120}).Draw(t, p.String())
}

func anyReading(t *rapid.T, now time.Time) *reading.Reading {
	r := &reading.Reading{Fan: reading.FanID(rapid.SampledFrom([]string{"ef1", "ef2", "ef3", "nobody"}).Draw(t, "fan")),
		Time: now, Outcome: reading.Outcome(rapid.IntRange(0, reading.Outcomes-1).Draw(t, "outcome"))}
	for _, p := range []reading.Point{reading.Speed, reading.Pressure, reading.Airflow, reading.Setpoint, reading.Enable,
		reading.Override, reading.RestartRise, reading.HeardAgo} {
		switch rapid.IntRange(0, 5).Draw(t, "quality") {
		case 0:
		case 1:
			r.Mark(p, reading.Marked)
		default:
			r.Set(p, anyValue(t, p))
		}
	}
	return r
}

// TestNoReadingsUpsetTheEngine feeds whatever may come, reloads included, and
// checks that changes alternate for each condition, that nothing is raised of
// a rule that is off, and that what stands is what was raised.
func TestNoReadingsUpsetTheEngine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		fleet := anyFleet(t)
		e, now := New(fleet), midnight
		active := make(map[[2]string]bool)
		check := func(all []condition.Transition) {
			for _, c := range all {
				key := [2]string{string(c.Fan), string(c.Condition)}
				if raised := c.Change == condition.Raised; raised == active[key] {
					t.Fatalf("%s %s of %q, which is active: %v", c.Condition, c.Change, c.Fan, active[key])
				}
				active[key] = c.Change == condition.Raised
				if c.Change == condition.Raised && (!enabled(fleet, c) || c.Summary == "" || len(c.Causes) == 0) {
					t.Fatalf("raised %+v", c)
				}
			}
		}
		for range rapid.IntRange(1, 40).Draw(t, "spans") {
			r := anyReading(t, now)
			step := rapid.SampledFrom([]time.Duration{0, time.Second, 5 * time.Second, 20 * time.Second, time.Hour}).Draw(t, "step")
			for range rapid.IntRange(1, 60).Draw(t, "repeats") {
				now = now.Add(step)
				r.Time = now
				check(e.Observe(r))
			}
			if rapid.IntRange(0, 20).Draw(t, "reload") == 0 {
				fleet = anyFleet(t)
				check(e.Reload(fleet, now))
			}
		}
		for key, is := range active {
			if is != standsIn(e, key) {
				t.Fatalf("%v is active: %v", key, is)
			}
		}
	})
}

func anyFleet(t *rapid.T) *config.Fleet {
	fleet := testFleet(rapid.IntRange(1, 3).Draw(t, "fans"))
	for _, f := range fleet.Fans {
		switch rapid.IntRange(0, 3).Draw(t, "kind") {
		case 0:
			idling(f)
		case 1:
			f.Probe, f.Setpoint = config.Discharge, 40
		case 2:
			f.ControlsAirflow, f.Setpoint = true, 20
		}
		for name, s := range f.Rules {
			s.Enabled = rapid.IntRange(0, 5).Draw(t, "enabled") > 0
			s.Hold = rapid.SampledFrom([]time.Duration{0, time.Minute, 20 * time.Minute}).Draw(t, "hold")
			f.Rules[name] = s
		}
	}
	return fleet
}

func enabled(fleet *config.Fleet, c condition.Transition) bool {
	for _, f := range fleet.Fans {
		if f.ID == c.Fan {
			return f.Rules[c.Condition].Enabled
		}
	}
	return fleet.Rules[c.Condition].Enabled
}

func standsIn(e *Engine, key [2]string) bool {
	_, _, standing := e.FanView(reading.FanID(key[0]))
	if key[0] == "" {
		_, standing = e.GatewayView("roof")
	}
	for _, s := range standing {
		if string(s.Condition) == key[1] {
			return s.SilencedBy == ""
		}
	}
	return false
}
