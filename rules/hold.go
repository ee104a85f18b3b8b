package rules

import "time"

// wait says how long evidence has to stand before it counts.
type wait struct {
	hold  time.Duration // that makes it full
	grace time.Duration // a shorter interruption does not start the hold anew
	exit  time.Duration // how long the opposite must stand before what was full is over; never longer than hold
}

// stand follows one piece of evidence through the readings. It adds up only
// the time between readings that are near enough to each other: over a longer
// gap nobody knows what happened, so the gap neither counts nor resets.
type stand struct {
	open    bool // a run of evidence has begun and is not over
	full    bool // it has stood for its hold
	held    bool // the last reading spoke for it
	fed     bool
	last    int64 // when it was last fed
	since   int64 // when the run began
	stood   time.Duration
	against time.Duration // how long the opposite has stood in a row
}

// feed tells s what a reading at now says, and returns whether the evidence
// has stood for its hold.
func (s *stand) feed(now int64, gap time.Duration, evidence bool, w wait) bool {
	step := time.Duration(now - s.last)
	if !s.fed || step < 0 || step > gap {
		step = 0
	}
	switch {
	case evidence && !s.open:
		s.open, s.since, s.stood = true, now, 0
	case evidence && s.held:
		s.stood += step
	case !evidence && !s.held:
		s.against += step
	}
	s.fed, s.last, s.held = true, now, evidence
	if evidence {
		s.against = 0
		s.full = s.full || s.stood >= w.hold
	} else if s.against >= s.patience(w) {
		s.open, s.full, s.stood = false, false, 0
	}
	return s.full
}

// patience is how long the opposite must stand to end the run.
func (s *stand) patience(w wait) time.Duration {
	if s.full {
		return min(w.exit, w.hold)
	}
	return w.grace
}

// pause leaves the time until the next reading out of the count.
func (s *stand) pause() { s.fed = false }

// forget drops all that was gathered.
func (s *stand) forget() { *s = stand{} }

// rest drops a hold that is running; evidence that is full stays, because what
// cannot be judged keeps its last state.
func (s *stand) rest() {
	if !s.full {
		s.forget()
	}
}
