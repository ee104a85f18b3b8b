package poller_test

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// A gateway that is away is tried again soon at first and never less than
// every 10 s, whatever its period; its fans have a failed reading in every
// cycle, and the cycles keep their period meanwhile.
func TestLostGatewayIsTriedAgain(t *testing.T) {
	for _, period := range []time.Duration{time.Second, 5 * time.Second, time.Minute} {
		for name, takes := range map[string]time.Duration{"refused": 0, "no way there": time.Hour} {
			g := newGateway("tcp", "")
			g.PollEvery = period
			f := &fake{reach: func() (time.Duration, *reading.Failure) { return takes, failure(reading.Refused) }}
			cycles, logged := watch(t, f, fleetOf(newFan(g, 1, 0), newFan(g, 2, 0)), 10*time.Minute)
			for i := 1; i < len(f.dials); i++ {
				if apart := f.dials[i].Sub(f.dials[i-1]); apart > 10*time.Second {
					t.Errorf("every %v, %s: tries %v apart", period, name, apart)
				}
			}
			if n := len(f.dials); n < 60 || n > 200 {
				t.Errorf("every %v, %s: %d tries in 10 minutes", period, name, n)
			}
			if first := f.dials[1].Sub(f.dials[0]); takes == 0 && (first < 500*time.Millisecond || first > time.Second) {
				t.Errorf("every %v, %s: the first new try came after %v", period, name, first)
			}
			want := reading.Refused
			if takes > 0 {
				want = reading.Timeout
			}
			for i, c := range cycles {
				if c.Readings[0].Outcome != want || c.Readings[1].Outcome != want || i > 3 && c.Missed > 0 {
					t.Fatalf("every %v, %s: cycle %d: %s, %d missed", period, name, i, c.Readings[0].Outcome, c.Missed)
				}
			}
			if n := logged.Len(); n != 1 {
				t.Errorf("every %v, %s: %d lines logged; want 1", period, name, n)
			}
		}
	}
}

// While a gateway is away its units wait no longer for it: the first cycle
// after it is back tries all of them, those as well that had been silent long
// before.
func TestAllUnitsAreDueWhenTheGatewayIsBack(t *testing.T) {
	g := newGateway("tcp", "")
	var begin time.Time
	since := func() time.Duration {
		if begin.IsZero() {
			begin = time.Now()
		}
		return time.Since(begin)
	}
	away := func() bool { return since() > 5*time.Minute && since() < 7*time.Minute }
	f := &fake{
		reach: func() (time.Duration, *reading.Failure) {
			if away() {
				return 0, failure(reading.Refused)
			}
			return 0, nil
		},
		answer: func(a asked) (time.Duration, *reading.Failure) {
			switch {
			case away():
				return 0, failure(reading.Reset)
			case a.unit >= 5 && since() < 5*time.Minute:
				return g.Timeout, failure(reading.Timeout)
			}
			return 10 * time.Millisecond, nil
		},
	}
	cycles, logged := watch(t, f, fleetOf(fansOf(g, 8)...), 10*time.Minute)
	back := -1
	for i, c := range cycles {
		if c.Start.Sub(cycles[0].Start) > 6*time.Minute && c.Readings[0].Outcome == reading.OK {
			back = i
			break
		}
	}
	if back < 0 {
		t.Fatal("the gateway never came back")
	}
	if late := cycles[back].Start.Sub(begin) - 7*time.Minute; late > 15*time.Second {
		t.Errorf("read again %v after it was back; want a try within 10 s and a cycle within 5 s more", late)
	}
	for i, r := range cycles[back].Readings {
		if r.Outcome != reading.OK {
			t.Errorf("fan %d: %s in the first cycle after the outage", i, r.Outcome)
		}
	}
	for _, line := range []string{"gateway lost", "gateway is back"} {
		if n := logged.FilterMessageSnippet(line).Len(); n != 1 {
			t.Errorf("%d lines %q; want 1", n, line)
		}
	}
}

// However short the outage, the first cycle after it tries every unit.
func TestShortOutageMakesAllUnitsDue(t *testing.T) {
	for after := range 6 {
		g := newGateway("tcp", "")
		var begin time.Time
		away := func() bool {
			if begin.IsZero() {
				begin = time.Now()
			}
			gone := time.Since(begin) - 5*time.Minute - time.Duration(after)*5*time.Second
			return gone > 0 && gone < 6*time.Second
		}
		f := &fake{
			reach: func() (time.Duration, *reading.Failure) {
				if away() {
					return 0, failure(reading.Refused)
				}
				return 0, nil
			},
			answer: func(a asked) (time.Duration, *reading.Failure) {
				if away() {
					return 0, failure(reading.Reset)
				}
				return silentUnits(g.Timeout, 5, 6)(a)
			},
		}
		cycles, _ := watch(t, f, fleetOf(fansOf(g, 8)...), 8*time.Minute)
		lost := false
		for _, c := range cycles {
			up := c.Readings[0].Outcome == reading.OK
			if lost && up {
				if n := len(c.asked); n != 8 {
					t.Errorf("outage %d: %d requests in the first cycle after it; want one for each of 8 units", after, n)
				}
			}
			lost = !up
		}
	}
}

// A gateway that accepts connections and breaks each one is lost: it is tried
// at least every 10 s however long it goes on.
func TestGatewayThatBreaksEveryConnection(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		g := newGateway(scheme, "")
		f := &fake{answer: func(asked) (time.Duration, *reading.Failure) { return 0, failure(reading.Reset) }}
		cycles, logged := watch(t, f, fleetOf(fansOf(g, 2)...), 10*time.Minute)
		for i := 1; i < len(f.dials); i++ {
			if apart := f.dials[i].Sub(f.dials[i-1]); apart > 10*time.Second {
				t.Errorf("%s: tries %v apart", scheme, apart)
			}
		}
		for _, c := range cycles {
			if c.Readings[0].Outcome != reading.Reset || c.Readings[1].Outcome != reading.Reset {
				t.Fatalf("%s: %s and %s", scheme, c.Readings[0].Outcome, c.Readings[1].Outcome)
			}
		}
		if n := logged.FilterMessageSnippet("gateway lost").Len(); n != 1 {
			t.Errorf("%s: %d lines about the gateway; want 1", scheme, n)
		}
	}
}

// UDP learns that nobody listens when it reads; that is the gateway's trouble
// and no unit's.
func TestNobodyListens(t *testing.T) {
	g := newGateway("udp", "")
	var begin time.Time
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if begin.IsZero() {
			begin = a.at
		}
		if a.at.Sub(begin) < 2*time.Minute {
			return 0, failure(reading.Refused)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, logged := watch(t, f, fleetOf(fansOf(g, 4)...), 5*time.Minute)
	for i, c := range cycles {
		want := reading.Refused
		if back := c.Start.Sub(begin) - 2*time.Minute; back > 10*time.Second {
			want = reading.OK
		} else if back >= 0 {
			continue // it is not yet found again
		}
		for _, r := range c.Readings {
			if r.Outcome != want {
				t.Errorf("cycle %d: %s is %s; want %s", i, r.Fan, r.Outcome, want)
			}
		}
	}
	if lost, units := logged.FilterMessageSnippet("gateway lost").Len(), logged.FilterMessageSnippet("unit").Len(); lost != 1 || units != 0 {
		t.Errorf("%d lines about the gateway and %d about units; want 1 and 0", lost, units)
	}
}

// Stopping while a gateway is being dialled is no loss of the gateway.
func TestStopWhileDialling(t *testing.T) {
	g := newGateway("tcp", "")
	f := &fake{reach: func() (time.Duration, *reading.Failure) { return time.Hour, nil }}
	// The first cycle begins within 5 s; the dial takes 3 s.
	for span := 500 * time.Millisecond; span < 6*time.Second; span += 500 * time.Millisecond {
		f.dials = nil
		cycles, logged := watch(t, f, fleetOf(newFan(g, 1, 0)), span)
		if len(cycles) == 0 && logged.Len() > 0 {
			t.Errorf("stopped after %v: logged %v", span, logged.All())
		}
	}
}

// The pause between requests is kept after connecting as well.
func TestPauseAfterConnecting(t *testing.T) {
	g := newGateway("tcp", "")
	g.Pause = 50 * time.Millisecond
	f := &fake{}
	cycles, _ := watch(t, f, fleetOf(newFan(g, 1, 0)), 6*time.Second)
	if after := cycles[0].asked[0].at.Sub(f.dials[0]); after != g.Pause {
		t.Errorf("asked %v after connecting; want %v", after, g.Pause)
	}
}

// Units that break the connection are asked again at once only where it has
// brought an answer before: it may be that the gateway has closed it. The second
// try of each comes at the end.
func TestReconnectAfterAnAnswer(t *testing.T) {
	g := newGateway("tcp", "")
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit > 2 {
			return 0, failure(reading.Reset)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fansOf(g, 4)...), 10*time.Second)
	var units []int
	for _, a := range cycles[0].asked {
		units = append(units, a.unit)
	}
	if len(units) != 7 || !equal(units, []int{1, 2, 3, 3, 4, 3, 4}) {
		t.Errorf("asked %v; want unit 3 twice and unit 4 once, and each once more", units)
	}
}

// A gateway that closes its connection after each answer costs a connection for
// each request, and no reading.
func TestConnectionClosedAfterEachAnswer(t *testing.T) {
	g := newGateway("tcp", "")
	answered := false
	f := &fake{reach: func() (time.Duration, *reading.Failure) { answered = false; return time.Millisecond, nil }}
	f.answer = func(asked) (time.Duration, *reading.Failure) {
		if answered {
			return 0, failure(reading.Reset)
		}
		answered = true
		return 10 * time.Millisecond, nil
	}
	cycles, logged := watch(t, f, fleetOf(fansOf(g, 8)...), time.Minute)
	for i, c := range cycles {
		for _, r := range c.Readings {
			if r.Outcome != reading.OK {
				t.Errorf("cycle %d: %s is %s", i, r.Fan, r.Outcome)
			}
		}
	}
	if logged.Len() != 0 {
		t.Errorf("logged %v", logged.All())
	}
}

// A gateway that closes idle connections costs no reading.
func TestIdleConnectionClosedCostsNoReading(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		g := newGateway(scheme, "")
		var last time.Time
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			idle := !last.IsZero() && a.at.Sub(last) > 3*time.Second
			last = a.at
			if idle {
				return 0, failure(reading.Reset)
			}
			return 10 * time.Millisecond, nil
		}}
		f.reach = func() (time.Duration, *reading.Failure) { last = time.Time{}; return 0, nil }
		cycles, logged := watch(t, f, fleetOf(fansOf(g, 3)...), time.Minute)
		for i, c := range cycles {
			for _, r := range c.Readings {
				if r.Outcome != reading.OK {
					t.Errorf("%s: cycle %d: %s is %s", scheme, i, r.Fan, r.Outcome)
				}
			}
		}
		if len(f.dials) < len(cycles) {
			t.Errorf("%s: %d connections in %d cycles: nothing was closed", scheme, len(f.dials), len(cycles))
		}
		if logged.Len() != 0 {
			t.Errorf("%s: logged %v", scheme, logged.All())
		}
	}
}

// A gateway that breaks its connection over one unit does not lose the others.
func TestUnitThatBreaksTheConnection(t *testing.T) {
	g := newGateway("tcp", "")
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == 1 {
			return 0, failure(reading.Reset)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fansOf(g, 4)...), 5*time.Minute)
	for i, c := range cycles[2:] {
		for j, r := range c.Readings {
			want := reading.OK
			if j == 0 {
				want = reading.Reset
			}
			if r.Outcome != want {
				t.Errorf("cycle %d, fan %d: %s; want %s", i+2, j, r.Outcome, want)
			}
		}
	}
}
