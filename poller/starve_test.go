package poller_test

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// others lets one unit answer in 10 ms, and all others end as given.
func others(alive int, took time.Duration, ends *reading.Failure) func(asked) (time.Duration, *reading.Failure) {
	return func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == alive {
			return 10 * time.Millisecond, nil
		}
		return took, ends
	}
}

// One living unit among 31 dead ones is read as soon as it can be told from
// them: at once where the gateway itself names the dead ones, after no more
// than a time-out each where it does not. From then on it is read in every
// cycle, and nobody says of it that its gateway called it silent.
func TestLivingUnitAmongTheDead(t *testing.T) {
	const units = 32
	tests := []struct {
		name, scheme string
		took, period time.Duration
		ends         *reading.Failure
		within       func(timeout, quiet time.Duration) time.Duration
	}{
		{"named by the gateway", "tcp", 10 * time.Millisecond, 5 * time.Second, exception(0x0B),
			func(_, _ time.Duration) time.Duration { return time.Second }},
		{"named by the gateway, slow period", "rtuovertcp", 10 * time.Millisecond, 30 * time.Second, exception(0x0A),
			func(_, _ time.Duration) time.Duration { return time.Second }},
		{"timed out", "tcp", 800 * time.Millisecond, 5 * time.Second, failure(reading.Timeout),
			func(timeout, _ time.Duration) time.Duration { return units * timeout * 5 / 4 }},
		{"timed out, with a quiet after each", "rtuovertcp", 800 * time.Millisecond, 5 * time.Second, failure(reading.Timeout),
			func(timeout, quiet time.Duration) time.Duration { return units * (timeout + quiet) * 5 / 4 }},
	}
	for _, test := range tests {
		for _, alive := range []int{1, 2, 15, 16, 17, 31, 32} {
			g := newGateway(test.scheme, "")
			g.PollEvery = test.period
			cycles, _ := watch(t, &fake{answer: others(alive, test.took, test.ends)}, fleetOf(fansOf(g, units)...), 5*time.Minute)
			found := false
			for i, c := range cycles {
				r := c.Readings[alive-1]
				if took := r.Time.Sub(cycles[0].Start); !found && took > test.within(g.Timeout, g.LateReply) {
					t.Errorf("%s: unit %d was not read within %v", test.name, alive, took)
					break
				}
				if r.Outcome != reading.OK && (found || r.Outcome != reading.Timeout) {
					t.Errorf("%s: unit %d is %s in cycle %d", test.name, alive, r.Outcome, i)
				}
				found = found || r.Outcome == reading.OK
				if c.Missed > 0 {
					t.Errorf("%s: %d cycles missed before cycle %d", test.name, c.Missed, i)
				}
			}
		}
	}
}

// A gateway that takes long to say that its units are silent takes the time of
// the cycle with that as well; units that nobody asked are timed out and not
// silent.
func TestSlowWordOfSilence(t *testing.T) {
	g := newGateway("tcp", "")
	g.Timeout = 4 * time.Second
	cycles, _ := watch(t, &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit <= 10 {
			return 3 * time.Second, exception(0x0B)
		}
		return 10 * time.Millisecond, nil
	}}, fleetOf(fansOf(g, 32)...), 5*time.Minute)
	asked := map[int]bool{}
	for i, c := range cycles {
		for _, a := range c.asked {
			asked[a.unit] = true
		}
		for j, r := range c.Readings {
			want := reading.OK
			switch {
			case !asked[j+1]:
				want = reading.Timeout
			case j < 10:
				want = reading.UnitSilent
			}
			if r.Outcome != want {
				t.Errorf("cycle %d, unit %d: %s; want %s", i, j+1, r.Outcome, want)
			}
		}
	}
	if len(asked) != 32 {
		t.Errorf("%d units were asked; want 32", len(asked))
	}
}

// What a gateway says of its silent units is believed though another unit has
// timed out: it costs no connection and no quiet.
func TestNamedUnitsBesideOneThatTimesOut(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		g := newGateway(scheme, "")
		timedOut := 0
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			switch {
			case a.unit == 1:
				timedOut++
				return g.Timeout, failure(reading.Timeout)
			case a.unit <= 10:
				return 20 * time.Millisecond, exception(0x0B)
			}
			return 80 * time.Millisecond, nil
		}}
		cycles, _ := watch(t, f, fleetOf(fansOf(g, 32)...), 20*time.Minute)
		for i, c := range cycles {
			if c.Missed > 0 {
				t.Errorf("%s: %d cycles missed before cycle %d", scheme, c.Missed, i)
			}
		}
		if most := timedOut + 1; len(f.dials) > most {
			t.Errorf("%s: %d connections; want no more than %d after %d time-outs", scheme, len(f.dials), most, timedOut)
		}
	}
}

// However much of the period the healthy units need, they keep 95 % of their
// cycles, and the silent ones are tried all the same.
func TestBusyLinesKeepTheirPeriod(t *testing.T) {
	for _, period := range []time.Duration{5 * time.Second, 20 * time.Second} {
		for load := 50; load <= 95; load += 15 {
			for _, dead := range []int{1, 3, 10} {
				g := newGateway("rtuovertcp", "")
				g.PollEvery = period
				each := period * time.Duration(load) / 100 / time.Duration(32-dead)
				f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
					if a.unit%3 == 1 && a.unit/3 < dead {
						return g.Timeout, failure(reading.Timeout)
					}
					return each, nil
				}}
				cycles, _ := watch(t, f, fleetOf(fansOf(g, 32)...), 500*period)
				cycles = cycles[len(cycles)/4:] // every unit has shown what it is by then
				missed := 0
				for _, c := range cycles {
					missed += c.Missed
				}
				if all := len(cycles) + missed; missed*disturbed > all+disturbed {
					t.Errorf("every %v, %d %% busy, %d silent: %d of %d cycles missed", period, load, dead, missed, all)
				}
				for i := range dead {
					if len(tries(cycles, 3*i+1)) == 0 {
						t.Errorf("every %v, %d %% busy, %d silent: unit %d was not tried", period, load, dead, 3*i+1)
					}
				}
			}
		}
	}
}

// disturbed is the most cycles in which the healthy may suffer one: 1 in 20.
const disturbed = 20

// A gateway that lets itself be reached and says nothing is tried as often as
// one that cannot be reached, whatever its period: at least every 10 s.
func TestMuteGatewayIsTriedEveryTenSeconds(t *testing.T) {
	for _, scheme := range []string{"tcp", "udp", "rtu"} {
		for _, period := range []time.Duration{2 * time.Second, 5 * time.Second, 7 * time.Second, 60 * time.Second} {
			for _, units := range []int{1, 3} {
				g := newGateway(scheme, "")
				g.PollEvery = period
				g.MaxGap = 4 // what was lost can be asked for in another shape at once
				var begin, last time.Time
				longest := time.Duration(0)
				f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
					if begin.IsZero() {
						begin = a.at
					}
					if gone := a.at.Sub(begin); gone < 5*time.Minute || gone > 15*time.Minute {
						return 10 * time.Millisecond, nil
					}
					if !last.IsZero() {
						longest = max(longest, a.at.Sub(last))
					}
					last = a.at
					return g.Timeout, failure(reading.Timeout)
				}}
				cycles, _ := watch(t, f, fleetOf(fansOf(g, units)...), 20*time.Minute)
				if longest > 10*time.Second || longest == 0 {
					t.Errorf("%s every %v, %d units: tries %v apart", scheme, period, units, longest)
				}
				for i, c := range cycles[1:] {
					back := c.Start.Sub(begin) - 15*time.Minute
					if apart := c.Start.Sub(cycles[i].Start) / period; int(apart) != c.Missed+1 || period > 2*time.Second && c.Missed > 0 {
						t.Errorf("%s every %v, %d units: %d cycles missed", scheme, period, units, c.Missed)
					}
					for _, r := range c.Readings {
						if back > period+10*time.Second && r.Outcome != reading.OK {
							t.Errorf("%s every %v, %d units: %s %v after it speaks again", scheme, period, units, r.Outcome, back)
						}
					}
				}
			}
		}
	}
}

// Units that fail at once take no time from the others, whatever a time-out
// would have taken.
func TestUnitsThatFailAtOnceHideNobody(t *testing.T) {
	g := newGateway("tcp", "")
	cycles, _ := watch(t, &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit%2 == 0 {
			return time.Millisecond, failure(reading.Reset)
		}
		return 10 * time.Millisecond, nil
	}}, fleetOf(fansOf(g, 32)...), time.Minute)
	for i, c := range cycles {
		for j, r := range c.Readings {
			if want := [2]reading.Outcome{reading.OK, reading.Reset}[j%2]; r.Outcome != want {
				t.Errorf("cycle %d, unit %d: %s; want %s", i, j+1, r.Outcome, want)
			}
		}
	}
}
