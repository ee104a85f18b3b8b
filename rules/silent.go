package rules

import (
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// silent judges controller_silent: the fan's controller does not answer though
// its gateway does, for the hold; or its gateway reports that it has not heard
// from it. The hold counts only while the gateway and the line are not
// suspected of being dead themselves: their outage is not the controller's. It
// ends with the first answer.
//
// A line that loses polls now and then is not silent. How often it does is
// learned from the failures that an answer followed, and so many in a row are
// asked for beside the hold that chance alone hardly brings them (loss). Where
// no poll was ever lost, the hold alone counts.
//
// Of a line with a single unit that does not answer, the unit is suspected and
// not the line. Where the gateway cannot say of its own whether it lives (every
// poll times out), the gateway is.
type silent struct {
	setting  condition.Setting
	stand    stand
	loss     loss
	outcomes [reading.Outcomes]uint16 // how the polls of the present silence failed
	unheard  float64                  // s for which the gateway said at the last poll that it has not heard the unit; 0: it did not say
}

func (c *silent) configure(_ *fan, s condition.Setting) { c.setting = s }

func (c *silent) judge(f *fan, s *sample) condition.State {
	if s.failed && f.gateway.suspected() {
		c.stand.pause()
		c.loss.run = 0 // whose failures these are is not known
		return condition.CannotJudge
	}
	if c.unheard = 0; s.failed {
		c.unheard, _ = finite(s.r.Get(reading.HeardAgo))
	}
	if !s.failed {
		c.outcomes = [reading.Outcomes]uint16{}
	} else if c.outcomes[s.r.Outcome] < 1<<16-1 {
		c.outcomes[s.r.Outcome]++
	}
	c.loss.count(s.failed)
	if c.stand.feed(s.now, s.gap, s.failed, wait{hold: c.setting.Hold}) && c.loss.beyondChance() {
		return condition.Present
	}
	return condition.Absent
}

func (c *silent) since() int64 { return c.stand.since }

func (c *silent) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *silent) rest() {}

func (c *silent) forget() {
	c.stand.forget()
	c.loss.run = 0
}
