package poller_test

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// wide is a fan with points at these addresses of one unit.
func wide(g *config.Gateway, points map[reading.Point]int) *config.Fan {
	fan := newFan(g, 1, 0)
	fan.Points = nil
	for p := reading.Point(0); int(p) < reading.Points; p++ {
		if address, has := points[p]; has {
			fan.Points = append(fan.Points, word(p, 1, address))
		}
	}
	return fan
}

// missing is a device without some registers.
func missing(code uint8, holes ...int) func(asked) (time.Duration, *reading.Failure) {
	return func(a asked) (time.Duration, *reading.Failure) {
		for _, hole := range holes {
			if a.address <= hole && hole < a.address+a.count {
				return 10 * time.Millisecond, exception(code)
			}
		}
		return 10 * time.Millisecond, nil
	}
}

// A block that is refused for the unused registers in it is split at the gap,
// in the same cycle, for an hour.
func TestRefusedBlockIsSplitAtTheGap(t *testing.T) {
	g := newGateway("tcp", "")
	g.MaxGap = 10
	fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1, reading.Setpoint: 2, reading.RPM: 9})
	cycles, logged := watch(t, &fake{answer: missing(2, 5)}, fleetOf(fan), time.Minute)
	for i, c := range cycles {
		if r := c.Readings[0]; r.Outcome != reading.OK || own(t, fan, &r) != 4 {
			t.Errorf("cycle %d: %s with %d values", i, r.Outcome, own(t, fan, &r))
		}
	}
	if first, later := len(cycles[0].asked), len(cycles[1].asked); first != 3 || later != 2 {
		t.Errorf("%d requests in the first cycle and %d in the second; want 3 and 2", first, later)
	}
	if n := logged.FilterMessageSnippet("refuses a block").Len(); n != 1 || logged.Len() != 1 {
		t.Errorf("%d lines about it of %d; want 1 of 1", n, logged.Len())
	}
}

// A block that was refused once is whole again an hour later; one that is
// refused for good is asked for once an hour, which costs no reading and no line
// in the log.
func TestSplitBlockIsTriedWholeAgain(t *testing.T) {
	for _, lasting := range []bool{false, true} {
		g := newGateway("tcp", "")
		g.MaxGap = 10
		fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1, reading.RPM: 9})
		n := 0
		f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
			if n++; n == 1 || lasting {
				return missing(2, 5)(a)
			}
			return 10 * time.Millisecond, nil
		}}
		cycles, logged := watch(t, f, fleetOf(fan), 150*time.Minute)
		whole := 0
		for i, c := range cycles {
			if r := c.Readings[0]; r.Outcome != reading.OK || own(t, fan, &r) != 3 {
				t.Errorf("refused for good: %v, cycle %d: %s with %d values", lasting, i, r.Outcome, own(t, fan, &r))
			}
			for _, a := range c.asked {
				if a.count == 10 {
					whole++
				}
			}
		}
		if lasting && whole != 3 || !lasting && whole < len(cycles)/2 {
			t.Errorf("refused for good: %v: asked %d times for the whole in %d cycles", lasting, whole, len(cycles))
		}
		if logged.Len() != 1 {
			t.Errorf("refused for good: %v: %d lines logged; want 1", lasting, logged.Len())
		}
	}
}

// A register that the device does not have is its own trouble only.
func TestRefusedPointStandsAlone(t *testing.T) {
	g := newGateway("tcp", "")
	fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1, reading.Setpoint: 2, reading.RPM: 3,
		reading.Power: 4})
	cycles, _ := watch(t, &fake{answer: missing(2, 3)}, fleetOf(fan), time.Minute)
	for i, c := range cycles {
		r := c.Readings[0]
		if r.Outcome != reading.Exception || r.ExceptionCode != 2 || own(t, fan, &r) != 4 ||
			r.Quality(reading.RPM) != reading.Unanswered {
			t.Errorf("cycle %d: %s %02X with %d values", i, r.Outcome, r.ExceptionCode, own(t, fan, &r))
		}
	}
	if n := len(cycles[1].asked); n != 4 { // 0-1, 2, 3 (refused), 4
		t.Errorf("%d requests in the second cycle; want 4", n)
	}
}

// A device whose blocks are small says so with exception 03.
func TestSmallBlocks(t *testing.T) {
	g := newGateway("tcp", "")
	fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1, reading.Setpoint: 2, reading.RPM: 3,
		reading.Power: 4})
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.count > 2 {
			return 10 * time.Millisecond, exception(3)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fan), time.Minute)
	if r := cycles[0].Readings[0]; r.Outcome != reading.OK || own(t, fan, &r) != 5 {
		t.Errorf("%s with %d values in the first cycle", r.Outcome, own(t, fan, &r))
	}
}

// A device that refuses everything is not asked for every register in every
// cycle.
func TestSplittingThatDoesNotHelpIsTriedRarely(t *testing.T) {
	g := newGateway("tcp", "")
	fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1, reading.Setpoint: 2, reading.RPM: 3})
	f := &fake{answer: func(asked) (time.Duration, *reading.Failure) { return 10 * time.Millisecond, exception(2) }}
	cycles, logged := watch(t, f, fleetOf(fan), 150*time.Minute)
	split := 0
	for i, c := range cycles {
		if len(c.asked) > 1 {
			split++
		}
		if r := c.Readings[0]; r.Outcome != reading.Exception || r.ExceptionCode != 2 {
			t.Fatalf("cycle %d: %s", i, r.Outcome)
		}
	}
	if split != 3 {
		t.Errorf("split in %d cycles of 150 minutes; want 3", split)
	}
	if logged.Len() != 0 {
		t.Errorf("logged %v", logged.All())
	}
}

// Exceptions that have nothing to do with the block split nothing.
func TestOtherExceptionsSplitNothing(t *testing.T) {
	g := newGateway("tcp", "")
	fan := wide(g, map[reading.Point]int{reading.Pressure: 0, reading.Speed: 1})
	f := &fake{answer: func(asked) (time.Duration, *reading.Failure) { return 10 * time.Millisecond, exception(6) }}
	cycles, _ := watch(t, f, fleetOf(fan), 30*time.Second)
	for _, c := range cycles {
		if r := c.Readings[0]; len(c.asked) != 1 || r.Outcome != reading.Exception || r.ExceptionCode != 6 {
			t.Errorf("%d requests, %s %02X", len(c.asked), r.Outcome, r.ExceptionCode)
		}
	}
}
