package rules

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

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

// soon is how long after its run-on a fan may start again and still be taken to
// have met its own restart point. (Engineering choice.)
const soon = 5 * time.Minute

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
		Check: "see on its trend at what times the starts come, and ask on the floors"}
	outside := condition.Cause{What: "something outside the controller switches it: a relay, a thermostat, a drive that trips and resets",
		Check: "look at the drive's list of faults on its display before anything else, and do not reset it to see what happens"}
	every := "it starts every " + units.Span(between)
	if !f.cfg.GoesIdle {
		return likeliest(supported(outside, true, "it has no settings to go idle by, and stops all the same"), runOn)
	}
	if between <= f.cfg.RunOn+soon {
		by := every + ", soon after its run-on of " + units.Span(f.cfg.RunOn)
		return likeliest(supported(rise, true, by), supported(runOn, true, by), leak, use, outside)
	}
	return likeliest(supported(use, c.even(between), every+", at even distances"), runOn, leak, rise, outside)
}

// even reports whether the starts came at distances that differ by less than a
// tenth.
func (c *shortCycling) even(between time.Duration) bool {
	for i := range tooMany - 1 {
		d := c.starts[(c.next+i+1)%tooMany] - c.starts[(c.next+i)%tooMany]
		if math.Abs(float64(d)-float64(between)) > 0.1*float64(between) {
			return false
		}
	}
	return true
}
