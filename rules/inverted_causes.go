package rules

import (
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *inverted) finding(f *fan, s *sample) condition.Finding {
	value := f.sense * s.level
	long := c.stood(s)
	finding := condition.Finding{Evidence: []condition.Number{
		{Name: "pressure_pa", Value: value}, {Name: "setpoint_pa", Value: s.setpoint},
		{Name: "tolerance_pa", Value: s.tolerance}, {Name: "speed", Value: s.speed},
		{Name: "stood_s", Value: long.Seconds()}}}
	add := func(name string, value float64) {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: name, Value: value})
	}
	from, to := f.sense*c.proof.from, f.sense*c.proof.to
	if c.why == turnedAtRest || c.why == wrongMove {
		add("before_pa", from)
		add("after_pa", to)
	}
	speed := f.percent(s.speed)
	switch c.why {
	case wrongAtTop:
		finding.Summary = "reads " + f.show(value) + " at top speed (" + speed + ") for " + units.Span(long) +
			" against a setpoint of " + f.show(s.setpoint) + ": the wrong sign, and more than exhausts can push"
	case mirroredSetpoint:
		finding.Summary = "holds " + f.show(value) + " between its speed limits for " + units.Span(long) +
			", which is its setpoint of " + f.show(s.setpoint) + " with the other sign"
	case turnedAtRest:
		finding.Summary = "idle, its reading turned from " + f.show(from) + " to " + f.show(to) + " at once, past its restart point, and in " +
			units.Span(long) + " the fan did not start: the sign is wrong"
	default:
		m := c.proof
		speeds := f.percent(m.slow) + " to " + f.percent(m.fast)
		finding.Summary = "its reading went from " + f.show(from) + " to " + f.show(to) + " at a " + m.kind.String() +
			" from " + speeds + ": the wrong way for a probe on " + f.cfg.Probe.String()
		if m.kind == turn {
			finding.Summary = "its reading turned from " + f.show(from) + " to the other sign at once, and went to " + f.show(to) +
				" as the speed went from " + speeds + ": the sign is wrong"
		}
		add("before_speed", m.slow)
		add("after_speed", m.fast)
	}
	finding.Causes = c.causes(f, s)
	return finding
}

// causes ranks what turned the sign by whether the controller sees it too. One
// that does not, and goes on controlling or resting as it should, has the right
// sign: then it was lost on the way here. One that runs to its top by it has the
// wrong one itself.
func (c *inverted) causes(f *fan, s *sample) []condition.Cause {
	lost := condition.Cause{What: "the point map loses the sign: type, scale or word order",
		Check: "run `fanwarden points` for the fan and compare raw words and value with the controller's own display"}
	tubes := condition.Cause{What: "the two tubes of the pressure sensor are swapped",
		Check: "ask who worked at the sensor last; a technician compares the tubes with the sensor's high and low ports; " + lockOut}
	side := condition.Cause{What: "the controller or the fleet file has the probe on the wrong side of the fan",
		Check: "compare `probe` in the fleet file, the controller's own setting, and where the tap really is"}
	switch top := s.speed >= f.cfg.MaxSpeed-atLimit-rounding; {
	case c.why == mirroredSetpoint:
		return likeliest(supported(lost, true, "the speed keeps between its limits and the reading near minus its setpoint: the controller itself "+
			"sees the right sign"), tubes, side)
	case c.why == turnedAtRest:
		return likeliest(supported(lost, true, "the fan did not start past its restart point: the controller itself sees the right sign"), tubes, side)
	case top:
		wrong := "the controller has driven the fan to its top by it, so it sees the same wrong sign"
		return likeliest(supported(tubes, s.mode.Own(), wrong), supported(side, s.mode.Own(), wrong), lost)
	case c.proof.kind == turn:
		return likeliest(supported(tubes, true, "the sign changed at once while the fan ran, as when somebody works at the sensor"), lost, side)
	}
	return []condition.Cause{tubes, side, lost}
}
