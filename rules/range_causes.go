package rules

import (
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *outOfRange) finding(f *fan, s *sample) condition.Finding {
	long := c.found().stood
	finding := condition.Finding{Evidence: []condition.Number{{Name: "stood_s", Value: long.Seconds()},
		{Name: "speed", Value: s.speed}}, Causes: c.causes(f)}
	add := func(name string, value float64) {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: name, Value: value})
	}
	speed := f.percent(s.speed)
	if !c.stand.full {
		finding.Summary = "the controller has answered for " + units.Span(long) + " and says that its sensor has no value; the fan runs at " + speed
		if f.mode.resting {
			finding.Summary = "the controller has answered for " + units.Span(long) + " and says that its sensor has no value; the fan stands"
		}
		return finding
	}
	which := "lower"
	if c.side == highEnd {
		which = "upper"
	}
	what := "of its register"
	if f.cfg.HasProbeRange {
		what = "of its sensor's range (" + f.show(f.cfg.ProbeLow) + " to " + f.show(f.cfg.ProbeHigh) + ")"
	}
	finding.Summary = "reads " + f.show(s.value) + " for " + units.Span(long) + ", at the " + which + " end " + what + "; its speed is " + speed
	add(f.key(f.controlled.String()), s.value)
	add(f.key("range_end"), f.limit(c.side))
	if c.inside {
		add(f.key("before"), c.value)
		add("before_speed", c.speed)
	}
	if s.hasSetpoint {
		add(f.key("setpoint"), s.setpoint)
	}
	return finding
}

// causes ranks what brings a value to the end of its range: a jump there is a
// wire or a sensor; what the riser can reach may be the truth, and the range too
// small for it.
func (c *outOfRange) causes(f *fan) []condition.Cause {
	wire := condition.Cause{What: "the sensor's wire is cut or shorted, or it has lost its supply, so that its input goes to the end of its scale",
		Check: "ask who worked in the panel last; a technician measures the sensor's signal at the controller (a 4-20 mA one must not be below 4)"}
	dead := condition.Cause{What: "the pressure transmitter has failed",
		Check: "compare its own display with the reading; a technician takes both tubes off and it must read about zero; " + lockOut}
	tubes := condition.Cause{What: "one of its tubes is off, full of water, or on the wrong port",
		Check: "see on the trend whether the reading moved with the speed before; then look at the tubes from where it is safe to stand"}
	fits := condition.Cause{What: "the range of the sensor does not fit what the riser does, or it is not the one in the fleet file or the controller",
		Check: "compare `probe_range` and the scale of " + f.controlled.String() + " in the point map with the transmitter's plate, and its range " +
			"switches with the controller's setting"}
	if f.cfg.ControlsAirflow {
		dead.What = "the flow transmitter has failed"
	}
	jump := ""
	if c.inside {
		jump = "the reading jumped there from " + f.show(c.value)
	}
	switch {
	case !c.stand.full:
		return likeliest(supported(wire, true, "the controller marks the value itself as none, and answers otherwise"), dead, fits)
	case c.slow:
		return likeliest(supported(fits, true, "demand, draught or the fan itself can bring the reading to "+f.show(f.limit(c.side))), tubes, dead, wire)
	}
	return likeliest(supported(wire, c.inside, jump), supported(dead, c.inside, jump), tubes, fits)
}
