package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// frozen judges sensor_frozen: the fan's controlled value is the same to the
// last digit, reading after reading, for longer than its own noise and
// resolution make believable. How often it changed when it was well, in its
// quietest ten minutes, says how many changes were to be expected since; a
// value that never varied before is not judged. Either
//
//   - moved: twelve changes are missing, and the speed has moved by 15 points or
//     more meanwhile, for the hold from then; or
//   - quiet: thirty are missing, for flat_hold, whatever the speed did.
//
// A coarse sensor on a fan that controls well, or is idle, repeats one value
// for hours: in its quietest ten minutes it does not change at all, so nothing is
// missing. Of it only the speed speaks. Either it
//
//   - goes one way by 15 points without a turn (stroke.go): a loop that holds its
//     value, however coarse that is shown, turns with every gust; one that goes on
//     without a turn integrates a single value. Twenty turns and changes of value
//     must be missing together, five of them turns; or
//   - it moves by 15 points and half as far again as it ever did within one value,
//     more than a count away from the setpoint, where no loop holds it. Twelve
//     changes as they usually come must be missing.
//
// In both the pressure had to follow by several counts (fan laws).
//
// A value at the end of the sensor's range is not frozen but out of range. A
// reading of about nothing is judged by how quiet it is when the fan rests.
//
// It is over with the first other value.
type frozen struct {
	hold     time.Duration
	flatHold time.Duration

	found  bool
	begun  bool
	began  int64 // the run of equal values
	n      int32 // readings in it
	flat   time.Duration
	moved  time.Duration // since the speed had moved
	far    bool          // it has
	slow   float64
	fast   float64
	missed float64 // leaps to be expected
	usual  float64 // changes to be expected
	travel float64 // the farthest that the speed ever went within one value
	stroke stroke  // of the speed
}

// (Engineering choices. Of changes that come independently with a chance each,
// none of n that were to be expected comes with a chance of e^-n.)
const (
	farSpeed     = 0.15
	missedMoved  = 12
	missedQuiet  = 30
	doubtUsual   = 5               // enough to wait for the others
	doubtsOver   = 5 * time.Minute // beyond the hold, for which others are held back
	effectMoved  = 0.15            // change of the square of speed, with which pressure goes
	farther      = 1.5             // than the speed ever went within one value
	coarseCounts = 6               // a pressure of so many counts must follow it
)

func (c *frozen) configure(_ *fan, s condition.Setting) {
	c.hold, c.flatHold = s.Hold, s.OwnDuration(condition.FlatHold)
}

func (c *frozen) judge(f *fan, s *sample) condition.State {
	if !s.hasValue || !s.hasSpeed {
		return condition.CannotJudge
	}
	if !c.begun || s.still.known && !s.still.same {
		c.end()
		c.begin(s)
	}
	if f.endOf(s) != noEnd {
		if !c.found {
			c.begun = false
		}
		return c.word()
	}
	c.add(s)
	if c.far && c.moved >= c.hold && (c.missed >= missedMoved || c.coarse(f, s, missedMoved)) ||
		c.stroke.moved >= c.hold && c.integrates(f, s, missedStroke) ||
		c.flat >= c.flatHold && c.missed >= missedQuiet {
		c.found = true
	}
	return c.word()
}

func (c *frozen) word() condition.State {
	if c.found {
		return condition.Present
	}
	return condition.Absent
}

func (c *frozen) begin(s *sample) {
	c.begun, c.began, c.slow, c.fast = true, s.now, s.speed, s.speed
	c.stroke.begin(s)
}

// end ends a run of equal values. What the speed did within one that cannot be
// told from a frozen one teaches nothing.
func (c *frozen) end() {
	if travel := c.fast - c.slow; c.begun && c.missed < missedMoved && c.usual < missedMoved {
		c.travel = max(c.travel, travel)
	}
	c.drop()
}

// drop drops the run.
func (c *frozen) drop() {
	*c = frozen{hold: c.hold, flatHold: c.flatHold, travel: c.travel}
}

// add takes one reading more of the run.
func (c *frozen) add(s *sample) {
	if s.now == c.began {
		return
	}
	c.n++
	c.flat += s.step
	c.missed += s.still.leaps
	c.usual += s.still.change
	if c.far {
		c.moved += s.step
	}
	c.stroke.add(s)
	c.slow, c.fast = min(c.slow, s.speed), max(c.fast, s.speed)
	c.far = c.fast-c.slow >= farSpeed-rounding
}

// coarse reports whether the speed alone shows that a value of few counts is
// frozen, once so many changes are missing.
func (c *frozen) coarse(f *fan, s *sample, missing float64) bool {
	return c.far && !(s.hasSetpoint && math.Abs(s.value-s.setpoint) <= f.still.count) && c.usual >= missing && c.fast-c.slow >= farther*c.travel &&
		c.fast*c.fast-c.slow*c.slow >= effectMoved &&
		max(s.value, -s.value) >= max(coarseCounts*f.still.count, s.tolerance)
}

// doubts: so many changes are missing that the value is as good as frozen, and
// the hold is running: from when the speed moved, or until then from when it
// stood. Where only flat_hold is lacking it is waited for.
func (c *frozen) doubts(f *fan, s *sample) bool {
	if !c.begun || c.found || !s.hasValue {
		return false
	}
	stood, most := c.flat, c.hold+doubtsOver
	switch {
	case c.far:
		stood = c.moved
	case c.missed >= missedQuiet:
		most = c.flatHold
	}
	return stood < most && (c.missed >= missedMoved || c.coarse(f, s, doubtUsual) || c.integrates(f, s, 2*doubtUsual))
}

func (c *frozen) since() int64 { return c.began }

func (c *frozen) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *frozen) rest() {
	if !c.found {
		c.drop()
	}
}

func (c *frozen) forget() { c.drop() }
