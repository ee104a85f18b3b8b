package rules

import (
	"fmt"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *creeping) finding(f *fan, s *sample) condition.Finding {
	weeks := time.Duration(s.now-c.begun) / creepTime
	besides := "and the other fans of its building do not"
	if c.alone {
		besides = "and no other fans of such risers tell the season from it"
	}
	return condition.Finding{
		Summary: fmt.Sprintf("needs %s of speed more than in the same hours of its first two weeks, %d weeks ago, %s",
			points(c.mean.value), weeks, besides),
		Evidence: []condition.Number{{Name: "excess_speed", Value: c.mean.value}, {Name: "speed", Value: s.speed},
			{Name: f.key("setpoint"), Value: s.setpoint}, {Name: "weeks", Value: float64(weeks)},
			{Name: "daily_spread_speed", Value: c.spread}},
		Causes: c.causes(f, s),
	}
}

// causes ranks what makes a fan work harder by how strongly it moved its
// reading at its last stop or forced step, where that is known.
func (c *creeping) causes(f *fan, s *sample) []condition.Cause {
	closing := condition.Cause{What: "lint, grease or dust closes the riser, its screens or the wheel little by little",
		Check: "compare this week's nights with the first ones on its trend, and plan a cleaning; " + lockOut}
	leak := condition.Cause{What: "a leak in the riser grows: a cap, an access door, a joint",
		Check: "look at the access doors from outside, and listen at the riser when the building is quiet"}
	added := condition.Cause{What: "exhausts were added to the riser, or are used more",
		Check: "ask what changed on the floors it serves since its first weeks"}
	weak := condition.Cause{What: "the belt slips more, or the motor weakens",
		Check: "compare rpm or power with speed on the trend, where they are read"}
	rising := fmt.Sprintf("it has needed more for %s now", units.Span(time.Duration(s.now-c.rises).Round(24*time.Hour)))
	if c.rises == 0 {
		rising = fmt.Sprintf("it needs %s more than in its first weeks", points(c.mean.value))
	}
	switch how, by := f.turned(s); {
	case how == weaker:
		return likeliest(supported(weak, true, by), supported(closing, true, by), leak, added)
	case how == asEver:
		return likeliest(supported(added, true, by), supported(leak, true, by), closing, weak)
	}
	return likeliest(supported(closing, true, rising), supported(leak, true, rising), added, weak)
}
