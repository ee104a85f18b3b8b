package poller

import (
	"time"

	"fanwarden/poller/reading"
)

// The waits between the tries of a unit that does not answer double from one
// period to the smaller of so many periods and longestWait (but are never less
// than a period).
const (
	longestPeriods = 8
	longestWait    = 30 * time.Second
)

// muteRetry is the longest that a gateway of which nothing is heard is left in
// peace: as long as one that cannot be reached.
const muteRetry = 10 * time.Second

// secondTries is in how many cycles in a row a unit that does not answer may
// have lost its answers by chance: it is asked twice. Where a gateway loses one answer in five, so many are lost by
// chance once in 400 000 cycles (0.2^8); a dead unit costs four time-outs more
// than it must, and those only where the period has room for them.
const secondTries = 4

// unit is one unit behind the gateway and how it fares.
type unit struct {
	id     int
	blocks []block
	// failures counts the cycles, and the probes between them, in a row in which
	// it was tried and did not answer; 0: healthy.
	failures int
	// passed is set for a unit that has not been asked since others took its
	// time, or since the whole line came back: it is to be tried soon.
	passed  bool
	failure *reading.Failure // of the last try, while failures is above 0; of the cycle that passed it over
	since   time.Time        // of the first failure in the row
	due     time.Time        // of the next try
	cost    time.Duration    // what the next try may take if it fails again
	asked   bool             // in this cycle
	next    int              // the first block that is still to be answered in this cycle
	again   bool             // it is to be asked a second time in this cycle
	told    bool             // it is known to be silent, and its silence is in the log
}

// block is one request of the unit as the worker asks it: first as the plan
// says, later perhaps as a part of that.
type block struct {
	Request
	outcome reading.Outcome // of the last time it was asked
	code    uint8
	// whole is until when the block is not split again, because splitting it
	// did not help.
	whole time.Time
	// of is the request of the plan that this is a part of, or nil, and again
	// when the device is asked for that whole again.
	of    *Request
	again time.Time
}

func (u *unit) ill() bool { return u.failures > 0 }

// healthy reports whether the unit answered when it was last to be asked.
func (u *unit) healthy() bool { return !u.ill() && !u.passed }

// named reports whether the gateway itself called the unit silent in the last
// try.
func (u *unit) named() bool { return u.failure.Code != 0 }

// failed notes a cycle in which the unit did not answer and sets its next try,
// in whole periods from the cycle's start.
func (u *unit) failed(cycle, tried time.Time, period time.Duration) {
	if u.failures == 0 {
		u.since = tried
	}
	u.failures++
	u.passed = false
	u.due = cycle.Add(wait(u.failures, period))
}

// hasten lets the unit wait no longer than until now for its next try.
func (u *unit) hasten(now time.Time) {
	if u.due.After(now) {
		u.due = now
	}
}

// wait returns how long after its last try a unit that failed so many times in
// a row is tried again.
func wait(failures int, period time.Duration) time.Duration {
	periods := 1 << min(failures-1, 16)
	longest := max(period, min(longestPeriods*period, longestWait/period*period))
	return min(time.Duration(periods)*period, longest)
}
