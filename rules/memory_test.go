package rules

import (
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// restart makes the trace go on with a new engine that recalls what the old
// one remembered.
func (tr *trace) restart() { tr.e = tr.keep()() }

// keep writes what the engine remembers now, and returns what makes a new one
// of it.
func (tr *trace) keep() func() *Engine {
	var fans, gateways [][]byte
	for _, f := range tr.fleet.Fans {
		fans = append(fans, tr.e.AppendFan(nil, f.ID))
	}
	for _, g := range tr.fleet.Gateways {
		gateways = append(gateways, tr.e.AppendGateway(nil, g.ID))
	}
	return func() *Engine {
		e := New(tr.fleet)
		for i, f := range tr.fleet.Fans {
			if err := e.RecallFan(f.ID, fans[i]); err != nil {
				tr.t.Fatal(err)
			}
		}
		for i, g := range tr.fleet.Gateways {
			if err := e.RecallGateway(g.ID, gateways[i]); err != nil {
				tr.t.Fatal(err)
			}
		}
		return e
	}
}

// ill is a fleet of which each fan has something else, or nothing.
func ill() (*config.Fleet, func(reading.FanID, time.Duration) (reading.Outcome, values)) {
	fleet := testFleet(6)
	idling(fleet.Fans[1])
	withContact(fleet.Fans[2])
	return fleet, func(id reading.FanID, since time.Duration) (reading.Outcome, values) {
		wave := float64(since/time.Second%7) / 4
		switch id {
		case "ef1":
			return reading.OK, at(1, -10+wave)
		case "ef2":
			return reading.OK, at(0, 40+wave)
		case "ef3":
			return reading.OK, at(0.95, -30+wave).with(reading.HighSpeed, 0)
		case "ef4":
			return reading.UnitSilent, nil
		case "ef5":
			return reading.OK, at(0.9, 100+wave).with(reading.Override, 1)
		}
		return reading.OK, at(0.6, -30+wave)
	}
}

// What a daemon that was never stopped raises, one that is stopped for a while
// raises too: nothing twice, and no hold anew.
func TestARestartInTheMiddleChangesNothing(t *testing.T) {
	const span = 25 * time.Minute
	fleet, read := ill()
	whole := newTrace(t, fleet)
	whole.play(span, read)
	if len(whole.got) < 4 {
		t.Fatalf("only %v", whole.log)
	}
	for _, at := range []time.Duration{0, time.Minute, 3 * time.Minute, 11 * time.Minute, 21 * time.Minute} {
		tr := newTrace(t, fleet)
		tr.play(at, read)
		tr.restart()
		tr.play(span-at, read)
		if !slices.Equal(tr.log, whole.log) {
			t.Errorf("stopped after %s: %v\nwant %v", at, tr.log, whole.log)
		}
	}
	standing := func(e *Engine) (all []condition.Standing) {
		for _, f := range fleet.Fans {
			_, _, s := e.FanView(f.ID)
			all = append(all, s...)
		}
		return all
	}
	before := standing(whole.e)
	whole.restart()
	if after := standing(whole.e); len(after) != len(before) || after[0].Summary != before[0].Summary || !after[0].Since.Equal(before[0].Since) {
		t.Errorf("stands %+v\nwant %+v", after, before)
	}
}

// The time while nobody watched neither counts nor resets.
func TestADaemonThatWasDownForAnHour(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(11*time.Minute, at(1, -10))
	tr.restart()
	tr.now = tr.now.Add(time.Hour)
	tr.steady(20*time.Minute, at(1, -10))
	tr.want("1h22m5s raised pinned_at_max ef1") // as without the restart
}

func TestARuleThatWasSwitchedOffMeanwhile(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(1, -10))
	rules := condition.Defaults()
	setting := rules[condition.PinnedAtMax]
	setting.Enabled = false
	rules[condition.PinnedAtMax] = setting
	tr.fleet.Fans[0].Rules = rules
	tr.restart()
	if _, _, standing := tr.e.FanView("ef1"); len(standing) != 0 {
		t.Errorf("stands %+v", standing)
	}
}

func TestMemoryThatCannotBeReadChangesNothing(t *testing.T) {
	fleet, read := ill()
	tr := newTrace(t, fleet)
	tr.play(25*time.Minute, read)
	data := tr.e.AppendFan(nil, "ef1")
	e := New(fleet)
	taken := 0 // pieces that end between two rules, which are whole as far as they go
	for n := range data {
		if e.RecallFan("ef1", data[:n]) == nil {
			taken++
		}
	}
	if rules := len(newRules()); taken > rules {
		t.Errorf("%d pieces are taken, with %d rules", taken, rules)
	}
	e = New(fleet)
	if e.RecallFan("ef1", data[:40]) == nil {
		t.Error("a piece is taken")
	}
	if _, _, standing := e.FanView("ef1"); len(standing) != 0 {
		t.Errorf("stands %+v", standing)
	}
	data[0]++ // another shape
	if e.RecallFan("ef1", data) == nil || e.RecallFan("nobody", data) == nil || e.RecallGateway("roof", data) == nil {
		t.Error("what is of another version, fan or gateway is taken")
	}
	t.Logf("a fan's memory takes %d bytes on disk", len(data))
}
