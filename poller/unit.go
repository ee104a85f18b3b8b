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

// unit is one unit behind the gateway and how it fares.
type unit struct {
	id     int
	blocks []block
	// failures counts the tries in a row that were not answered; 0: healthy.
	failures int
	// passed is set for a unit that has not been asked since others took its
	// time, or since the whole line came back: it is to be tried soon.
	passed  bool
	outcome reading.Outcome // of the last try, while failures is above 0; of the cycle that passed it over
	since   time.Time       // of the first failure in the row
	due     time.Time       // of the next try
	named   bool            // by the gateway as silent, in the last try
	cost    time.Duration   // what the next try may take if it fails again
	asked   bool            // in this cycle
	told    bool            // its silence is in the log
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

// failed notes a try that was not answered and sets the next one, in whole
// periods from the cycle's start.
func (u *unit) failed(outcome reading.Outcome, cycle, tried time.Time, cost, period time.Duration) {
	if u.failures == 0 {
		u.since = tried
	}
	u.failures++
	u.passed = false
	u.outcome, u.cost = outcome, cost
	u.due = cycle.Add(wait(u.failures, period))
}

// wait returns how long after its last try a unit that failed so many times in
// a row is tried again.
func wait(failures int, period time.Duration) time.Duration {
	periods := 1 << min(failures-1, 16)
	longest := max(period, min(longestPeriods*period, longestWait/period*period))
	return min(time.Duration(periods)*period, longest)
}
