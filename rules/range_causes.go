package rules

import (
	"fanwarden/poller/reading"
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
		finding.Summary = "the controller has answered for " + units.Span(long) + " and says that " + c.says(f) + "; the fan runs at " + speed
		if f.mode.resting {
			finding.Summary = "the controller has answered for " + units.Span(long) + " and says that " + c.says(f) + "; the fan stands"
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
	case !c.stand.full && c.why != reading.Marked:
		return append(c.said(f), wire, dead)
	case !c.stand.full:
		return likeliest(supported(wire, true, "the controller marks the value itself as none, and answers otherwise"), dead, fits)
	case c.slow:
		return likeliest(supported(fits, true, "demand, draught or the fan itself can bring the reading to "+f.show(f.limit(c.side))), tubes, dead, wire)
	}
	return likeliest(supported(wire, c.inside, jump), supported(dead, c.inside, jump), tubes, fits)
}

// says is what the device says of its sensor's value, which is no value then.
func (c *outOfRange) says(f *fan) string {
	value := f.controlled.String()
	switch c.why {
	case reading.Faulty:
		return "its " + value + " is not reliable (fault)"
	case reading.OutOfService:
		return "its " + value + " is out of service"
	case reading.Overridden:
		return "its " + value + " is overridden"
	case reading.OtherUnit:
		return "its " + value + " is in another unit than the point map has it"
	}
	return "its sensor has no value"
}

// said is what a device's own word comes from (clause 12 of ANSI/ASHRAE 135:
// status flags, out of service and reliability are three things).
func (c *outOfRange) said(f *fan) []condition.Cause {
	by, value := "the device says so itself", f.controlled.String()
	switch c.why {
	case reading.OutOfService:
		return []condition.Cause{{What: "somebody has put the object of its " + value + " out of service, and it shows what was written to it", Speaks: by,
			Check: "ask who works on the controller; the object's out-of-service must be false again, and then its value moves"}}
	case reading.Overridden:
		return []condition.Cause{{What: "a switch or a person at the device holds its " + value + " at one value", Speaks: by,
			Check: "look at the device's own hand switches or its page for what is overridden, and ask who did it before it is taken away"}}
	case reading.OtherUnit:
		return []condition.Cause{{What: "the unit of its " + value + " in the point map is not the one that the device gives it in", Speaks: by,
			Check: "run `fanwarden points` for the fan: correct unit and scale in the map, or write device_unit where the device states it wrongly"}}
	}
	return []condition.Cause{{What: "the device has found a fault of its own: no sensor, a wire cut or shorted, or a value that cannot be", Speaks: by,
		Check: "run `fanwarden points` for the fan: the reliability of the object names the fault"}}
}
