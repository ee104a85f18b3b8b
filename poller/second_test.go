package poller_test

import (
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// losing lets one answer in five go missing at random, in every way in which
// one can; the other answers take up to most.
func losing(timeout, most time.Duration) func(asked) (time.Duration, *reading.Failure) {
	random := rand.New(rand.NewPCG(1, 2))
	return func(asked) (time.Duration, *reading.Failure) {
		took := 1 + rand.N(most)
		if random.IntN(5) > 0 {
			return took, nil
		}
		switch random.IntN(3) {
		case 0:
			return took, failure(reading.Garbled)
		case 1:
			return took, failure(reading.Reset)
		}
		return timeout, failure(reading.Timeout)
	}
}

// count returns how often a unit was asked in a cycle.
func (c *polled) count(unit int) (n int) {
	for _, a := range c.asked {
		if a.unit == unit {
			n++
		}
	}
	return n
}

// A day of one answer in five lost, beside a unit that is dead: few readings
// fail, never so many in a row that a fan seems silent, the cycles keep their
// period to the second, and the dead unit is asked once in each.
func TestLossyGatewayOverADay(t *testing.T) {
	for _, scheme := range []string{"tcp", "udp", "rtuovertcp"} {
		const units, dead = 8, 3
		g := newGateway(scheme, "")
		g.PollEvery, g.MaxGap = 30*time.Second, 8
		lossy := losing(g.Timeout, 50*time.Millisecond)
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			if a.unit == dead {
				return g.Timeout, failure(reading.Timeout)
			}
			return lossy(a)
		}}
		cycles, _ := watch(t, f, fleetOf(fansOf(g, units)...), 24*time.Hour+g.PollEvery)
		if len(cycles) < 2880 {
			t.Errorf("%s: %d cycles in a day", scheme, len(cycles))
		}
		var failed, row [units]int
		longest, tries := 0, 0
		for i, c := range cycles {
			if c.Missed > 0 || c.Took > g.PollEvery || i > 0 && c.Start.Sub(cycles[i-1].Start) != g.PollEvery {
				t.Errorf("%s: cycle %d took %v and missed %d", scheme, i, c.Took, c.Missed)
			}
			n := c.count(dead)
			if n > 1 && i > 3 {
				t.Errorf("%s: the dead unit was asked %d times in cycle %d", scheme, n, i)
			}
			tries += n
			if len(c.Readings) != units {
				t.Fatalf("%s: %d readings in cycle %d", scheme, len(c.Readings), i)
			}
			for j, r := range c.Readings {
				if row[j]++; r.Outcome == reading.OK {
					row[j] = 0
				} else {
					failed[j]++
				}
				if j != dead-1 {
					longest = max(longest, row[j])
				}
			}
		}
		for j, n := range failed {
			if want := len(cycles) * 5 / 100; j != dead-1 && n >= want || j == dead-1 && n != len(cycles) {
				t.Errorf("%s: %d of %d readings of unit %d failed", scheme, n, len(cycles), j+1)
			}
		}
		if tries < len(cycles)*98/100 {
			t.Errorf("%s: the dead unit was asked %d times in %d cycles", scheme, tries, len(cycles))
		}
		if longest >= 5 {
			t.Errorf("%s: %d failed readings in a row", scheme, longest)
		}
		t.Logf("%s: %v of %d readings failed, at most %d in a row; the dead unit was asked %d times",
			scheme, failed, len(cycles), longest, tries)
	}
}

// What is left of a short period is not enough for every second try: no cycle
// is overrun because of one, whether it is the answers that take long or the
// connections.
func TestSecondTriesKeepThePeriod(t *testing.T) {
	for _, dial := range []time.Duration{0, 150 * time.Millisecond} {
		for _, period := range []time.Duration{2 * time.Second, 3 * time.Second, 5 * time.Second} {
			g := newGateway("tcp", "")
			g.PollEvery, g.Pause = period, 20*time.Millisecond
			lossy := losing(g.Timeout, 150*time.Millisecond)
			f := &fake{
				reach: func() (time.Duration, *reading.Failure) { return dial, nil },
				answer: func(a asked) (time.Duration, *reading.Failure) {
					took, failure := lossy(a)
					if failure != nil && failure.Outcome == reading.Reset {
						return took, nil // it would be asked again at once, which takes its time as well
					}
					return took, failure
				},
			}
			cycles, _ := watch(t, f, fleetOf(fansOf(g, 2)...), time.Hour)
			seconds := 0
			for i, c := range cycles {
				if c.Missed > 0 || c.Took > period {
					t.Errorf("dial %v, every %v: cycle %d took %v, and %d were missed", dial, period, i, c.Took, c.Missed)
				}
				if c.count(1) > 1 {
					seconds++
				}
			}
			if seconds == 0 {
				t.Errorf("dial %v, every %v: nothing was asked a second time", dial, period)
			}
		}
	}
}

// A connection for a second try is given up in time, without the gateway being
// called lost for it; its reading failed by what the first try ended with.
func TestSlowConnectionForASecondTry(t *testing.T) {
	g := newGateway("tcp", "")
	g.PollEvery = 2 * time.Second
	dials, asks := 0, 0
	f := &fake{
		reach: func() (time.Duration, *reading.Failure) {
			if dials++; dials == 2 {
				return time.Hour, nil
			}
			return 0, nil
		},
		answer: func(asked) (time.Duration, *reading.Failure) {
			if asks++; asks == 3 {
				return g.Timeout, failure(reading.Timeout)
			}
			return 10 * time.Millisecond, nil
		},
	}
	cycles, logged := watch(t, f, fleetOf(fansOf(g, 1)...), time.Minute)
	for i, c := range cycles {
		want := reading.OK
		if i == 2 {
			want = reading.Timeout
		}
		if r := c.Readings[0]; r.Outcome != want || c.Missed > 0 || c.Took > g.PollEvery {
			t.Errorf("cycle %d: %s; took %v, %d missed", i, r.Outcome, c.Took, c.Missed)
		}
	}
	if dials != 3 || logged.Len() > 0 {
		t.Errorf("%d connections; logged %v", dials, logged.All())
	}
}

// A unit that has died is asked twice in the first four cycles in which it is
// tried, and once in each later one.
func TestDeadUnitIsAskedTwiceAtFirst(t *testing.T) {
	g := newGateway("tcp", "")
	cycles, _ := watch(t, &fake{answer: silentUnits(g.Timeout, 3)}, fleetOf(fansOf(g, 4)...), 5*time.Minute)
	for i, c := range cycles {
		want := 0
		switch i {
		case 0, 1, 3, 7:
			want = 2
		case 13, 19, 25, 31, 37, 43, 49, 55:
			want = 1
		}
		if n := c.count(3); n != want {
			t.Errorf("asked %d times in cycle %d; want %d", n, i, want)
		}
	}
}

// A unit whose lost answers come at last is no sign that a dead one lives: that
// one is tried about every 30 s as before.
func TestLossyNeighboursDoNotWakeTheDead(t *testing.T) {
	g := newGateway("tcp", "")
	lossy := losing(g.Timeout, 50*time.Millisecond)
	cycles, _ := watch(t, &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == 1 {
			return g.Timeout, failure(reading.Timeout)
		}
		return lossy(a)
	}}, fleetOf(fansOf(g, 5)...), time.Hour)
	if n := len(tries(cycles, 1)); n < 110 || n > 140 {
		t.Errorf("the dead unit was tried %d times in an hour; want about 120", n)
	}
}

// A unit that lost its answers twice over is not left alone as if it were dead
// when a neighbour that lost some as well is heard again.
func TestLossyNeighboursAreTriedTogether(t *testing.T) {
	g := newGateway("tcp", "")
	var begin time.Time
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if begin.IsZero() {
			begin = a.at
		}
		cycle := int(a.at.Sub(begin) / g.PollEvery)
		if a.unit == 2 && (cycle == 3 || cycle == 4) || a.unit == 3 && cycle == 4 {
			return 100 * time.Millisecond, failure(reading.Garbled)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fansOf(g, 4)...), time.Minute)
	for i, c := range cycles {
		for j, r := range c.Readings {
			want := reading.OK
			if j == 1 && (i == 3 || i == 4) || j == 2 && i == 4 {
				want = reading.Garbled
			}
			if r.Outcome != want {
				t.Errorf("cycle %d, unit %d: %s; want %s", i, j+1, r.Outcome, want)
			}
		}
	}
}

// What was refused was not lost, and is not asked for again.
func TestRefusalsAreNotAskedAgain(t *testing.T) {
	for name, ends := range map[string]*reading.Failure{"by the device": exception(4), "by the gateway": exception(0x0B),
		"nobody listens": failure(reading.Refused)} {
		g := newGateway("udp", "")
		cycles, _ := watch(t, &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			if a.unit == 2 {
				return 10 * time.Millisecond, ends
			}
			return 10 * time.Millisecond, nil
		}}, fleetOf(fansOf(g, 2)...), time.Minute)
		for i, c := range cycles {
			if n := c.count(2); n > 1 {
				t.Errorf("%s: asked %d times in cycle %d", name, n, i)
			}
		}
	}
}

// The second try goes on from the block that was lost. The reading is as old as
// the oldest of its values, and counted by how the second try ended.
func TestSecondTryBringsWhatWasLost(t *testing.T) {
	tests := []struct {
		name   string
		lost   int // which request of the first cycle
		second *reading.Failure
		asked  []int // addresses
		oldest int   // which request brought the oldest value; -1: none did
	}{
		{"the first block", 0, nil, []int{0, 0, 20}, 1},
		{"the last block", 1, nil, []int{0, 20, 20}, 0},
		{"garbled then", 1, failure(reading.Garbled), []int{0, 20, 20}, -1},
		{"refused then", 1, exception(4), []int{0, 20, 20}, 0},
	}
	for _, test := range tests {
		g := newGateway("tcp", "")
		fan := newFan(g, 1, 0)
		fan.Points[1].Address = 20
		n := -1
		f := &fake{answer: func(asked) (time.Duration, *reading.Failure) {
			switch n++; n {
			case test.lost:
				return g.Timeout, failure(reading.Timeout)
			case test.lost + 1:
				return 10 * time.Millisecond, test.second
			}
			return 10 * time.Millisecond, nil
		}}
		cycles, logged := watch(t, f, fleetOf(fan), 12*time.Second)
		c := cycles[0]
		r := c.Readings[0]
		var addresses []int
		for _, a := range c.asked {
			addresses = append(addresses, a.address)
		}
		if len(addresses) != len(test.asked) || !equal(addresses, test.asked) {
			t.Errorf("%s: asked for %v; want %v", test.name, addresses, test.asked)
			continue
		}
		wantTime, want := c.Start.Add(c.Took), reading.OK
		if test.second != nil {
			want = test.second.Outcome
		}
		if test.oldest >= 0 {
			wantTime = c.asked[test.oldest].at.Add(10 * time.Millisecond)
		}
		if r.Outcome != want || !r.Time.Equal(wantTime) {
			t.Errorf("%s: %s, %v after the cycle began; want %s, %v", test.name, r.Outcome, r.Time.Sub(c.Start),
				want, wantTime.Sub(c.Start))
		}
		if logged.Len() > 0 {
			t.Errorf("%s: logged %v", test.name, logged.All())
		}
	}
}
