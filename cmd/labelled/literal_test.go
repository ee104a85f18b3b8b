package main

import (
	"testing"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestWhatIsLiterallySo(t *testing.T) {
	cfg := suction()
	cfg.GoesIdle = false
	cfg.Rules = cfg.Rules.Clone()
	cfg.Rules[condition.SensorOutOfRange] = condition.Setting{Hold: 5 * minute}
	n := newNotes(cfg)
	shown(witnessFunc(func(r *reading.Reading) { n.see(r) }), stretch{minutes: 30, speed: 0.6, value: -30},
		stretch{minutes: 90, speed: 0.2, value: -45}, stretch{minutes: 20, speed: 1, value: -500}, stretch{minutes: 30, speed: 0.6, value: -30})
	for _, test := range []struct {
		name   condition.Name
		minute float64
		want   bool
	}{
		{condition.PinnedAtMin, 20, false}, {condition.PinnedAtMin, 60, false}, {condition.PinnedAtMin, 90, true},
		{condition.PinnedAtMin, 140, false}, {condition.SensorOutOfRange, 122, false}, {condition.SensorOutOfRange, 125, true},
		{condition.SensorOutOfRange, 150, false}, {condition.PinnedAtMax, 125, false},
	} {
		if got := n.holds(&condition.Transition{Condition: test.name, Time: after(test.minute)}); got != test.want {
			t.Errorf("%s in minute %g: %v", test.name, test.minute, got)
		}
	}
}
