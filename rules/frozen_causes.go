package rules

import (
	"fmt"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *frozen) finding(f *fan, s *sample) condition.Finding {
	expected := max(c.missed, 0)
	if c.missed < missedMoved {
		expected = c.usual
	}
	expected = float64(int(expected))
	moved := ""
	usual := fmt.Sprintf("%.0f changes were usual", expected)
	turns := float64(int(c.stroke.missed))
	switch {
	case c.integrates(f, s, missedStroke):
		usual = fmt.Sprintf("%.0f turns were usual", turns)
		moved = " while its speed went from " + f.percent(c.stroke.from) + " to " + f.percent(c.stroke.to) + " without a turn"
	case c.far:
		moved = " while its speed went between " + f.percent(c.slow) + " and " + f.percent(c.fast)
	}
	return condition.Finding{
		Summary: fmt.Sprintf("the same %s to the last digit in all %d readings of %s%s; %s",
			f.show(s.value), c.n, units.Span(c.flat), moved, usual),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: s.value},
			{Name: "readings", Value: float64(c.n)},
			{Name: "expected_changes", Value: expected},
			{Name: "expected_turns", Value: turns},
			{Name: f.key("least_step"), Value: f.still.count},
			{Name: "least_speed", Value: c.slow},
			{Name: "most_speed", Value: c.fast},
			{Name: "stood_s", Value: c.flat.Seconds()},
		},
		Causes: c.causes(f, s),
	}
}

// causes ranks what keeps a value by whether the controller sees it too. One
// that controls by a value that stands away from its setpoint runs to a limit; one
// whose speed goes on between its limits, and turns, sees a value that lives, and
// only what is read here stands.
func (c *frozen) causes(f *fan, s *sample) []condition.Cause {
	held := condition.Cause{What: "the controller holds its input: it was put in hand for a test, or its input module hangs",
		Check: "compare the controller's own display with `fanwarden points`, and look whether the input is marked as in hand"}
	hung := condition.Cause{What: "the pressure transmitter hangs, or its output wire is off and the last value is kept",
		Check: "watch the transmitter's own display, or have its signal measured: it must flicker; a technician takes its supply off and on, once; " + lockOut}
	tube := condition.Cause{What: "its tubes are blocked by water, ice or lint, so that it sees trapped air",
		Check: "look at the tubes for water in their low places from where it is safe to stand; " + onRoof}
	copied := condition.Cause{What: "the register is a copy that the controller no longer writes",
		Check: "run `fanwarden points` for the fan twice and compare with the controller's own display"}
	if f.cfg.ControlsAirflow {
		hung.What = "the flow transmitter hangs, or its output wire is off and the last value is kept"
	}
	speeds := f.percent(c.slow) + " and " + f.percent(c.fast)
	top, lowest := c.fast >= f.cfg.MaxSpeed-offLimit, c.slow <= f.cfg.MinSpeed+offLimit
	switch {
	case c.fast-c.slow >= offLimit && !top && !lowest && !c.integrates(f, s, missedStroke):
		return likeliest(supported(copied, true, "the speed went between "+speeds+" and to neither limit, so the controller sees a value that lives"),
			hung, held, tube)
	case c.far && s.mode.Own():
		by := "the controller drove the fan between " + speeds + " and its reading stayed at " + f.show(s.value)
		return likeliest(supported(hung, true, by), supported(held, true, by), tube, copied)
	case c.far:
		by := "the speed went between " + speeds + " and the reading stayed at " + f.show(s.value)
		return likeliest(supported(hung, true, by), held, tube, copied)
	}
	by := "the speed stood near " + f.percent(c.fast) + " as well, so the controller may see the same"
	stood := c.fast-c.slow < offLimit
	return likeliest(supported(held, stood, by), supported(hung, stood, by), copied, tube)
}
