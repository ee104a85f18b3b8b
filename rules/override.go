package rules

import (
	"time"

	"fanwarden/poller/units"
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

func (c *overrideLeftOn) finding(f *fan, s *sample) condition.Finding {
	finding := condition.Finding{
		Summary: "forced to " + f.units.Format(s.speed, units.Ratio) + " for " + units.Span(c.stand.stood) +
			", which is longer than an override should stand (" + units.Span(c.longest) + ")",
		Evidence: []condition.Number{{Name: "speed", Value: s.speed}, {Name: "stood_s", Value: c.stand.stood.Seconds()},
			{Name: "override_at_most_s", Value: c.longest.Seconds()}},
		Causes: []condition.Cause{
			{What: "somebody forced it for a repair, a test or a smell, and did not give it back",
				Check: "ask who worked there when it began, and whether the reason is gone, before anybody gives it back"},
			{What: "another system forces it: a fire panel, a smoke mode, a purge, a timer that stays on",
				Check: "ask those who answer for the fire alarm first; leave a fire or smoke mode to them"},
			{What: "the override input is closed by its wiring alone",
				Check: "see on the trend whether the input has ever opened; have a licensed electrician look at the terminals"},
		},
	}
	if s.hasValue {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: f.key(f.controlled.String()), Value: f.sense * s.level})
	}
	return finding
}
