package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestPinnedAtMaxIsRaisedAfterItsHoldAndClearedAfterItsExit(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(time.Hour, at(1, -10))
	tr.steady(10*time.Minute, at(0.7, -30))
	tr.want("22m0s raised pinned_at_max ef1", "1h2m0s cleared pinned_at_max ef1 recovered")
	f := tr.got[0]
	if f.Severity != condition.Ticket || f.Building != "alder" || f.Gateway != "roof" {
		t.Errorf("raised as %+v", f)
	}
	if want := "at top speed (100 %) for 22 min, reading -10.0 Pa against a setpoint of -30.0 Pa"; f.Summary != want {
		t.Errorf("summary %q, want %q", f.Summary, want)
	}
}

func TestPinnedAtMaxIsNotRaised(t *testing.T) {
	short := at(1, -10)
	for name, run := range map[string]func(tr *trace){
		"within tolerance": func(tr *trace) { tr.steady(2*time.Hour, at(1, -25.5)) },
		"below the top":    func(tr *trace) { tr.steady(40*time.Minute, at(0.94, -10)) },
		"two peaks": func(tr *trace) {
			for range 2 {
				tr.steady(18*time.Minute, at(1, 40))
				tr.steady(time.Hour, at(0.6, -30))
			}
		},
		"forced":   func(tr *trace) { tr.steady(2*time.Hour, short.with(reading.Override, 1)) },
		"disabled": func(tr *trace) { tr.steady(2*time.Hour, short.with(reading.Enable, 0)) },
		"no value": func(tr *trace) { tr.steady(2*time.Hour, values{reading.Speed: 1}) },
		"failed": func(tr *trace) {
			tr.steady(20*time.Minute, short)
			tr.now = tr.now.Add(time.Hour)
			tr.steady(90*time.Second, short)
		},
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTrace(t, testFleet(1))
			run(tr)
			tr.want()
		})
	}
}
