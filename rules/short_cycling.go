package rules

import (
	"fmt"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// shortCycling judges short_cycling: the fan starts six times or more in an
// hour, which wears belts, contactors and motors. It is raised at the sixth
// start (hold 0), and over when an hour of readings has had fewer than three.
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
}

// Starts in an hour. (Six is the definition; a bath fan with 4 or 5 is well.)
const (
	tooMany   = 6
	fewAgain  = 3
	cycleSpan = time.Hour
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
	if c.stand.feed(s.now, s.gap, many || c.stand.full && c.lately() >= fewAgain, c.wait) {
		return condition.Present
	}
	return condition.Absent
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

func (c *shortCycling) forget() { *c = shortCycling{wait: c.wait} }

func (c *shortCycling) finding(f *fan, s *sample) condition.Finding {
	span := c.span()
	finding := condition.Finding{
		Summary: fmt.Sprintf("started %d times in %s", tooMany, units.Span(span)),
		Evidence: []condition.Number{
			{Name: "starts", Value: tooMany}, {Name: "span_s", Value: span.Seconds()},
			{Name: "between_starts_s", Value: span.Seconds() / (tooMany - 1)}, {Name: "speed", Value: s.speed}},
		Causes: c.causes(f, span/(tooMany-1)),
	}
	if s.hasValue && s.hasSetpoint {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: f.key(f.controlled.String()), Value: s.value},
			condition.Number{Name: f.key("setpoint"), Value: s.setpoint})
	}
	return finding
}

// causes ranks what makes a fan start and stop: one that goes idle and starts
// again as soon as its run-on is over meets its own restart point, slower ones
// follow somebody.
func (c *shortCycling) causes(f *fan, between time.Duration) []condition.Cause {
	rise := condition.Cause{What: "the restart rise is so small that the pressure at standstill starts it again",
		Check: "compare the reading at standstill on its trend with setpoint and restart rise"}
	runOn := condition.Cause{What: "the run-on is too short for how the riser is used",
		Check: "compare `run_on` with the controller's own setting and the papers of the handover"}
	leak := condition.Cause{What: "the riser fills by itself: draught, wind, or a neighbour's fan pushes it past the restart point",
		Check: "see on its trend whether the starts come with the wind or with other fans of the building"}
	use := condition.Cause{What: "somebody runs small exhausts on timers",
		Check: "see on its trend whether the starts come at even distances, and ask on the floors"}
	outside := condition.Cause{What: "something outside the controller switches it: a relay, a thermostat, a drive that trips and resets",
		Check: "look at the drive's list of faults on its display before anything else, and do not reset it to see what happens"}
	if !f.cfg.GoesIdle {
		return []condition.Cause{outside, runOn}
	}
	if between <= f.cfg.RunOn+5*time.Minute {
		return []condition.Cause{rise, leak, runOn, use, outside}
	}
	return []condition.Cause{use, runOn, leak, rise, outside}
}
