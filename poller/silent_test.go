package poller_test

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// tries returns the numbers of the cycles in which a unit was asked.
func tries(cycles []polled, unit int) (in []int) {
	for i, c := range cycles {
		for _, a := range c.asked {
			if a.unit == unit {
				in = append(in, i)
				break
			}
		}
	}
	return in
}

func equal(a, b []int) bool {
	if len(a) < len(b) {
		return false
	}
	for i := range b {
		if a[i] != b[i] {
			return false
		}
	}
	return true
}

func fansOf(g *config.Gateway, n int) (fans []*config.Fan) {
	for unit := 1; unit <= n; unit++ {
		fans = append(fans, newFan(g, unit, 0))
	}
	return fans
}

// A silent unit is tried after 1, 2 and 4 periods and then every 30 s, its fan
// has a failed reading in every cycle, and its neighbours keep their period.
func TestDeadUnitIsTriedLessAndLess(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		g := newGateway(scheme, "")
		g.MaxGap = 8 // what was lost can be asked for in another shape at once
		f := &fake{answer: silentUnits(g.Timeout, 3)}
		cycles, logged := watch(t, f, fleetOf(fansOf(g, 8)...), 10*time.Minute)
		if in := tries(cycles, 3); !equal(in, []int{0, 1, 3, 7, 13, 19, 25}) {
			t.Errorf("%s: tried in cycles %v", scheme, in)
		}
		for i, c := range cycles {
			if c.Missed != 0 {
				t.Fatalf("%s: cycle %d missed %d", scheme, i, c.Missed)
			}
			for j, r := range c.Readings {
				want := reading.OK
				if j == 2 {
					want = reading.Timeout
				}
				if r.Outcome != want {
					t.Fatalf("%s: cycle %d, fan %d: %s; want %s", scheme, i, j, r.Outcome, want)
				}
			}
			if last := c.asked[len(c.asked)-1].unit; i > 0 && c.asked[0].unit != 1 || i == 1 && last != 3 {
				t.Errorf("%s: cycle %d began with unit %d and ended with %d", scheme, i, c.asked[0].unit, last)
			}
		}
		if n := logged.FilterMessageSnippet("unit does not answer").Len(); n != 1 {
			t.Errorf("%s: %d lines about the silent unit; want 1", scheme, n)
		}
	}
}

// Tries that cannot fit into the period take no more than a twentieth of it.
func TestTriesThatDoNotFitKeepNeighboursWithinFivePercent(t *testing.T) {
	g := newGateway("rtuovertcp", "")
	g.PollEvery, g.Timeout, g.LateReply = 2*time.Second, 2*time.Second, 4*time.Second
	const span = 30 * time.Minute
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 3, 5)}, fleetOf(fansOf(g, 8)...), span)
	if all := int(span / g.PollEvery); len(cycles) < all*95/100 {
		t.Errorf("%d of %d cycles", len(cycles), all)
	}
	for _, unit := range []int{3, 5} {
		if in := tries(cycles, unit); len(in) < 5 {
			t.Errorf("unit %d was tried in %v only", unit, in)
		}
	}
}

// A silent unit without neighbours disturbs nobody: it is tried at its own pace.
func TestTriesThatDoNotFitAndDisturbNobody(t *testing.T) {
	g := newGateway("rtuovertcp", "")
	g.PollEvery, g.Timeout, g.LateReply = 2*time.Second, 2*time.Second, 4*time.Second
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 1)}, fleetOf(fansOf(g, 1)...), 10*time.Minute)
	if in := tries(cycles, 1); len(in) < 20 {
		t.Errorf("tried %d times in 10 minutes; want a try at least every 30 s", len(in))
	}
}

// A unit that the gateway itself reports silent (exception 0B) is spared in
// the same way, and its connection stays open.
func TestUnitReportedSilent(t *testing.T) {
	g := newGateway("tcp", "")
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == 2 {
			return 300 * time.Millisecond, exception(0x0B)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fansOf(g, 3)...), time.Minute)
	if in := tries(cycles, 2); !equal(in, []int{0, 1, 3, 7}) {
		t.Errorf("tried in cycles %v", in)
	}
	if len(f.dials) != 1 {
		t.Errorf("%d connections; an exception is no reason to close one", len(f.dials))
	}
	if got := cycles[5].Readings[1].Outcome; got != reading.UnitSilent {
		t.Errorf("outcome %s in a cycle in which it was not asked", got)
	}
}

// One lost answer costs one reading, and none where there is time for a second
// try.
func TestOneLostAnswerCostsOneReading(t *testing.T) {
	// A second try takes up to 4.8 s with the first and the quiet after both; the
	// last period is too short even for a first one, whose worst case is 2.4 s.
	for period, want := range map[time.Duration][3]int{5 * time.Second: {}, 4 * time.Second: {0, 1, 1}, 2 * time.Second: {0, 1, 1}} {
		g := newGateway("rtuovertcp", "")
		g.PollEvery, g.MaxGap = period, 8
		var n [4]int
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			n[a.unit]++
			if a.unit == 2 && n[2] == 4 || a.unit == 3 && n[3] == 8 {
				return g.Timeout, failure(reading.Timeout)
			}
			return 10 * time.Millisecond, nil
		}}
		cycles, logged := watch(t, f, fleetOf(fansOf(g, 3)...), time.Minute)
		var bad [3]int
		for _, c := range cycles {
			for i, r := range c.Readings {
				if r.Outcome != reading.OK {
					bad[i]++
				}
			}
		}
		if bad != want {
			t.Errorf("every %v: %v bad readings; want %v after two lost answers", period, bad, want)
		}
		if logged.Len() != 0 {
			t.Errorf("every %v: a single lost answer is no change of state, and was logged: %v", period, logged.All())
		}
	}
}

// When one silent unit answers again, all are tried in the same cycle.
func TestOneUnitBackMakesAllDue(t *testing.T) {
	g := newGateway("tcp", "")
	dead := true
	f := &fake{}
	f.answer = func(a asked) (time.Duration, *reading.Failure) {
		if dead && a.unit > 2 {
			return g.Timeout, failure(reading.Timeout)
		}
		return 10 * time.Millisecond, nil
	}
	var back time.Time
	answer := f.answer
	var begin time.Time
	f.answer = func(a asked) (time.Duration, *reading.Failure) {
		if begin.IsZero() {
			begin = a.at
		}
		if a.at.Sub(begin) > 5*time.Minute {
			dead = false
		}
		if !dead && a.unit > 2 && back.IsZero() {
			back = a.at
		}
		return answer(a)
	}
	cycles, logged := watch(t, f, fleetOf(fansOf(g, 12)...), 10*time.Minute)
	for _, c := range cycles {
		if !c.Start.After(back) && c.Start.Add(g.PollEvery).After(back) {
			for i, r := range c.Readings {
				if r.Outcome != reading.OK {
					t.Errorf("fan %d: %s in the cycle in which the first unit answered again", i, r.Outcome)
				}
			}
		}
	}
	if n := logged.FilterMessageSnippet("answers again").Len(); n != 10 {
		t.Errorf("%d units reported back; want 10", n)
	}
}

// When a whole trunk dies, a cycle is given up when the next time-out would not
// fit into its period, and the next begins with those that were not asked. Units
// are asked from both ends in turn.
func TestDeadTrunk(t *testing.T) {
	g := newGateway("tcp", "")
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 1, 2, 3, 4, 5, 6, 7, 8)}, fleetOf(fansOf(g, 8)...), 10*time.Minute)
	first := func(c polled) (units []int) {
		for _, a := range c.asked {
			units = append(units, a.unit)
		}
		return units
	}
	for i, want := range [][]int{{1, 8, 2, 7, 3, 6}, {4, 5}} {
		if got := first(cycles[i]); !equal(got, want) {
			t.Errorf("cycle %d asked %v; want %v", i, got, want)
		}
	}
	for i, c := range cycles {
		if c.Missed != 0 || c.Took > g.PollEvery {
			t.Fatalf("cycle %d took %v, %d missed", i, c.Took, c.Missed)
		}
		for _, r := range c.Readings {
			if r.Outcome != reading.Timeout {
				t.Fatalf("cycle %d: %s; want a time-out for asked and unasked alike", i, r.Outcome)
			}
		}
	}
}

// Nor does a dead line whose tries are long stretch its cycles for good: the
// failed readings keep their period.
func TestDeadLineKeepsItsPeriod(t *testing.T) {
	g := newGateway("rtuovertcp", "") // a try takes 2.4 s with the quiet after it
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 1, 2, 3, 4, 5, 6, 7, 8)}, fleetOf(fansOf(g, 8)...), 20*time.Minute)
	for i, c := range cycles[10:] {
		if c.Missed != 0 {
			t.Errorf("%d cycles missed before cycle %d", c.Missed, i+10)
		}
	}
	for unit := 1; unit <= 8; unit++ {
		if in := tries(cycles, unit); len(in) < 20 {
			t.Errorf("unit %d was tried %d times in 20 minutes", unit, len(in))
		}
	}
}

// Three dead units in a row do not hide the living ones behind them for longer
// than a cycle.
func TestDeadUnitsDoNotHideTheLiving(t *testing.T) {
	g := newGateway("tcp", "")
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 1, 2, 3)}, fleetOf(fansOf(g, 6)...), 5*time.Minute)
	for i, c := range cycles[1:] {
		for _, r := range c.Readings[3:] {
			if r.Outcome != reading.OK {
				t.Errorf("cycle %d: %s is %s", i+1, r.Fan, r.Outcome)
			}
		}
	}
}
