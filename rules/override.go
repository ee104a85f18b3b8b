package rules

import (
	"time"

	"fanwarden/rules/condition"
)

// overrideLeftOn judges override_left_on: the override input has forced the
// fan to run for longer than override_at_most, and the hold beyond it. How long
// is too long depends on the fan's duty where the fleet file does not say. It is
// over as soon as the controller has its fan back. A fan that is forced to stand
// is not judged.
type overrideLeftOn struct {
	longest time.Duration
	hold    time.Duration
	stand   stand
}

// overrideGrace is how short a release may be without the time starting anew.
// (Engineering choice.)
const overrideGrace = time.Minute

func (c *overrideLeftOn) configure(_ *fan, s condition.Setting) {
	c.longest, c.hold = s.OwnDuration(condition.OverrideAtMost), s.Hold
}

func (c *overrideLeftOn) judge(_ *fan, s *sample) condition.State {
	if c.stand.feed(s.now, s.gap, s.mode == condition.Forced, wait{hold: c.longest + c.hold, grace: overrideGrace}) {
		return condition.Present
	}
	return condition.Absent
}

func (c *overrideLeftOn) since() int64 { return c.stand.since }

func (c *overrideLeftOn) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *overrideLeftOn) rest() { c.stand.rest() }

func (c *overrideLeftOn) forget() { c.stand.forget() }
