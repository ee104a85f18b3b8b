package main

import (
	"testing"

	"fanwarden/rules/condition"
)

func TestTheShortageOfARiserIsToldOnce(t *testing.T) {
	first, partner, alone := pinnedLabel(), pinnedLabel(), pinnedLabel()
	partner.fan, alone.fan = "ef2", "ef3"
	labels := []*label{first, partner, alone}
	share(labels[:2])
	told := judged{{fan: "ef1"}: append(raised(condition.PinnedAtMax, 112), raised(condition.StuckIdle, 113)...)}
	tellOnce(labels, told)
	if got := told[sampleOf{fan: "ef2"}]; len(got) != 1 || !isShortage(got[0]) {
		t.Errorf("of the partner is told %v, want the shortage alone", got)
	}
	if got := told[sampleOf{fan: "ef3"}]; len(got) != 0 {
		t.Errorf("of a fan with a riser of its own is told %v", got)
	}
	tellOnce(labels, told)
	if n := len(told[sampleOf{fan: "ef1"}]); n != 2 {
		t.Errorf("of the first is told %d times, want 2", n)
	}
}

func TestWhatIsSilencedIsNoSecondCondition(t *testing.T) {
	cleared := func(reason condition.Reason) []condition.Transition {
		end := raised(condition.StuckIdle, 100)
		return append(end, condition.Transition{Condition: condition.StuckIdle, Change: condition.Cleared, Reason: reason, Time: after(110)})
	}
	for _, test := range []struct {
		name     string
		changes  []condition.Transition
		silenced int
		second   int
	}{
		{"silenced", cleared(condition.Silenced), 1, 0},
		{"gone by itself", cleared(condition.Recovered), 0, 1},
		{"raised again", append(cleared(condition.Silenced), raised(condition.StuckIdle, 150)...), 0, 1},
	} {
		s := newScore()
		s.judge("", pinnedLabel(), test.changes, after(1000))
		if got := s.of(condition.StuckIdle); got.silenced != test.silenced || got.second != test.second {
			t.Errorf("%s: %d silenced, %d second; want %d, %d", test.name, got.silenced, got.second, test.silenced, test.second)
		}
	}
}
