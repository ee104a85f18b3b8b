package rules

import (
	"time"

	"fanwarden/rules/condition"
)

// shortCycling judges short_cycling: the fan starts six times or more in an
// hour, which wears belts, contactors and motors. It is raised at the sixth
// start (hold 0), and over when an hour of readings has had fewer than three. A
// fan that is back within a day of that follows demand that comes and goes: then
// it is over when six hours of readings have had no six in an hour, so that
// nobody is told every hour of what does not change.
//
// Only starts that the controller itself chose count, seen from one reading to
// the next: not the end of an override, not a permission to run that is given
// (those leave other modes than rest), and none that lies in a gap.
type shortCycling struct {
	wait   wait
	stand  stand
	starts [tooMany]int64         // times of the last starts
	ages   [tooMany]time.Duration // on the clock of what was seen
	next   int
	n      int
	clock  time.Duration // of what was seen: it stands still over gaps
	fed    bool
	last   int64

	manyAt   time.Duration // when there last were six in an hour, on that clock
	ended    bool          // it was over
	endAt    time.Duration // when last
	returned bool          // and was back within a day
}

// Starts in an hour. (Six is the definition; a bath fan with 4 or 5 is well.)
const (
	tooMany   = 6
	fewAgain  = 3
	cycleSpan = time.Hour
	returns   = 24 * time.Hour // an end that did not last so long was none
	lull      = 6 * time.Hour  // and then such a one is one
)

func (c *shortCycling) configure(_ *fan, s condition.Setting) { c.wait = wait{hold: s.Hold} }

func (c *shortCycling) judge(f *fan, s *sample) condition.State {
	if !s.hasSpeed {
		return condition.CannotJudge
	}
	if step := time.Duration(s.now - c.last); c.fed && step > 0 && step <= s.gap {
		c.clock += step
	}
	c.fed, c.last = true, s.now
	chosen := s.was == condition.Idle || s.was == condition.Stopped
	if f.mode.started && f.mode.startAt == s.now && chosen && !f.mode.resting {
		c.starts[c.next], c.ages[c.next] = s.now, c.clock
		c.next = (c.next + 1) % tooMany
		c.n = min(c.n+1, tooMany)
	}
	// The oldest of six is in the slot that the next one takes.
	many := c.n == tooMany && time.Duration(s.now-c.starts[c.next]) <= cycleSpan && s.now >= c.starts[c.next]
	if many {
		c.manyAt = c.clock
	}
	was := c.stand.full
	is := c.stand.feed(s.now, s.gap, many || was && !c.over(), c.wait)
	switch {
	case is && !was:
		c.returned = c.ended && c.clock-c.endAt <= returns
	case was && !is:
		c.ended, c.endAt = true, c.clock
	}
	if is {
		return condition.Present
	}
	return condition.Absent
}

// over reports whether the fan has kept still for long enough.
func (c *shortCycling) over() bool {
	if c.returned {
		return c.clock-c.manyAt > lull
	}
	return c.lately() < fewAgain
}

// lately counts the starts within the last hour of readings.
func (c *shortCycling) lately() int {
	n := 0
	for i := range c.n {
		if c.clock-c.ages[i] <= cycleSpan {
			n++
		}
	}
	return n
}

// span is how long the six starts took.
func (c *shortCycling) span() time.Duration {
	return time.Duration(c.starts[(c.next+tooMany-1)%tooMany] - c.starts[c.next])
}

func (c *shortCycling) since() int64 { return c.starts[c.next] }

func (c *shortCycling) severity(s condition.Setting) condition.Severity { return s.Severity }

// rest leaves out the time that is not judged.
func (c *shortCycling) rest() {
	c.fed = false
	c.stand.pause()
}

// forget keeps when it was last over: that is no evidence.
func (c *shortCycling) forget() {
	*c = shortCycling{wait: c.wait, clock: c.clock, ended: c.ended, endAt: c.endAt}
}
