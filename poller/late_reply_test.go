package poller_test

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// After a time-out an exception from the same unit and function may be the
// late answer to the other request: nobody is asked on that connection any
// more, and nobody at all until its own answer has had time to come.
func TestExceptionThatMayBeLate(t *testing.T) {
	g := newGateway("rtuovertcp", "")
	n := 0
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == 1 {
			switch n++; n {
			case 1:
				return g.Timeout, failure(reading.Timeout)
			case 2:
				return 10 * time.Millisecond, exception(4)
			}
		}
		return 10 * time.Millisecond, nil
	}}
	fan := newFan(g, 1, 0)
	fan.Points = append(fan.Points, word(reading.RPM, 1, 50))
	cycles, _ := watch(t, f, fleetOf(fan), 30*time.Second)
	if len(f.dials) != 3 {
		t.Fatalf("%d connections; want one more after the time-out and one more after the exception", len(f.dials))
	}
	asked := cycles[0].asked[1:]
	// The second try asks for the block of two in ones: the first is refused, and the quiet follows.
	if asked[0].count != 1 || asked[0].address != 0 {
		t.Errorf("asked for %d+%d after a block of two was lost", asked[0].address, asked[0].count)
	}
	if quiet := f.dials[2].Sub(asked[0].at); quiet < g.LateReply {
		t.Errorf("the next connection came %v after the exception; want %v", quiet, g.LateReply)
	}
}

// Single values that cannot be cut up are asked for with an unused register
// behind them after a time-out, where max_gap allows that, and one lost answer
// costs no reading. A device that refuses the register is not asked for it
// again: the value waits until no late answer can come.
func TestSingleValuesAfterATimeout(t *testing.T) {
	tests := []struct {
		name    string
		gap     int
		refuses bool
		bad     int // readings
	}{
		{"unused registers allowed", 2, false, 0},
		{"none allowed", 0, false, 3},
		{"refused by the device", 2, true, 3},
	}
	for _, test := range tests {
		g := newGateway("rtuovertcp", "")
		g.MaxGap = test.gap
		fan := newFan(g, 1, 0)
		fan.Points[1].Address = 20
		n, wide := 0, 0
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			if n++; n == 7 {
				return g.Timeout, failure(reading.Timeout)
			}
			if a.count > 1 {
				wide++
				if test.refuses {
					return 10 * time.Millisecond, exception(2)
				}
			}
			return 10 * time.Millisecond, nil
		}}
		cycles, _ := watch(t, f, fleetOf(fan), 2*time.Minute)
		bad := 0
		for _, c := range cycles {
			if r := c.Readings[0]; r.Outcome != reading.OK {
				bad++
			} else if own(t, fan, &r) != 2 {
				t.Errorf("%s: a good reading with %d values", test.name, own(t, fan, &r))
			}
		}
		if bad != test.bad {
			t.Errorf("%s: %d bad readings; want %d", test.name, bad, test.bad)
		}
		if test.refuses && wide > 2 { // once for each of the two values
			t.Errorf("%s: asked %d times for registers that were refused", test.name, wide)
		}
	}
}

// On a transport without numbers nothing is asked until late_reply after a
// time-out has passed; on one with numbers it goes on at once.
func TestQuietAfterATimeout(t *testing.T) {
	for scheme, quiet := range map[string]time.Duration{"tcp": 0, "udp": 0, "rtu": 1600 * time.Millisecond,
		"rtuovertcp": 1600 * time.Millisecond} {
		g := newGateway(scheme, "")
		cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 1)}, fleetOf(fansOf(g, 2)...), 20*time.Second)
		ask := cycles[0].asked
		if got := ask[1].at.Sub(ask[0].at) - g.Timeout; got != quiet {
			t.Errorf("%s: quiet for %v after a time-out; want %v", scheme, got, quiet)
		}
	}
}
