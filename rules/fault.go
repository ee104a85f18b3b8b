package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// controllerFault judges controller_fault: the controller reports a fault of
// its own by the point that the fleet file calls `fault`, for the hold. It is
// over when the point says so. What the fault is, the controller's own display
// tells.
type controllerFault struct {
	hold  time.Duration
	stand stand
}

// faultGrace is how short the point may drop without the hold starting anew.
// (Engineering choice.)
const faultGrace = 15 * time.Second

func (c *controllerFault) configure(_ *fan, s condition.Setting) { c.hold = s.Hold }

func (c *controllerFault) judge(_ *fan, s *sample) condition.State {
	on, good := s.r.Get(reading.Fault)
	if !good {
		return condition.CannotJudge
	}
	if c.stand.feed(s.now, s.gap, on != 0, wait{hold: c.hold, grace: faultGrace, exit: faultGrace}) {
		return condition.Present
	}
	return condition.Absent
}

// doubts: while the controller says that something is wrong, what it does not
// do is not told beside it.
func (c *controllerFault) doubts(*fan, *sample) bool { return c.stand.open && !c.stand.full }

func (c *controllerFault) since() int64 { return c.stand.since }

func (c *controllerFault) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *controllerFault) rest() { c.stand.rest() }

func (c *controllerFault) forget() { c.stand.forget() }
