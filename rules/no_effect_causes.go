package rules

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *noEffect) finding(f *fan, s *sample) condition.Finding {
	value, long := f.sense*s.level, time.Duration(s.now-c.from)
	speed := f.percent(s.speed)
	finding := condition.Finding{
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: long.Seconds()},
		},
		Causes: c.causes(f, s),
	}
	add := func(name string, value float64) {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: name, Value: value})
	}
	switch {
	case c.why == wheelStill:
		finding.Summary = fmt.Sprintf("commanded to %s for %s, and %s, reading %s against a setpoint of %s",
			speed, units.Span(long), c.wheel.words(f), f.show(value), f.show(s.setpoint))
		c.wheel.numbers(add)
	case c.proof.abrupt:
		l := &c.proof
		finding.Summary = fmt.Sprintf("commanded to %s and moves nothing: its reading went from %s to %s at once, %s ago, and does not follow the speed",
			speed, f.show(f.sense*l.from), f.show(f.sense*l.after), units.Span(long))
		add(f.key("before"), f.sense*l.from)
		add(f.key("after"), f.sense*l.after)
	default:
		finding.Summary = fmt.Sprintf("commanded to %s and moves nothing: for %s it has read about %s against a setpoint of %s",
			speed, units.Span(long), f.show(value), f.show(s.setpoint))
	}
	if c.climbed() {
		add("climbed_from_speed", unload(f, c.proof.low))
		add("climbed_to_speed", unload(f, c.proof.high))
		add(f.key("moved"), -f.sense*c.proof.slope*(c.proof.high-c.proof.low))
	}
	if g := f.response.gain(); g > 0 {
		add(f.key("expected_move"), -f.sense*f.expect(s.speed))
	}
	return finding
}

// climbed reports whether the reading was seen not to follow a climb of the
// speed.
func (c *noEffect) climbed() bool {
	return c.why == nothingRead && c.proof.line.n > 1 && c.proof.high-c.proof.low >= leastRange
}

// unload is the speed that a load stands for.
func unload(f *fan, load float64) float64 {
	if f.cfg.ControlsAirflow {
		return load
	}
	return math.Sqrt(load)
}

// causes ranks what keeps a fan from moving anything, by what says something
// of the wheel.
func (c *noEffect) causes(f *fan, s *sample) []condition.Cause {
	belt := condition.Cause{What: "the motor turns and the wheel does not: a belt that is off or broken, a coupling or a set screw",
		Check: "compare power and rpm with what they were, where they are read; on the roof look from outside the guard whether belt and wheel " +
			"move, away from the edges; " + lockOut}
	motor := condition.Cause{What: "the motor does not turn though it is commanded: drive tripped, overload, disconnect open, motor failed",
		Check: "read the drive's or starter's display and see whether its disconnect is on; before anyone resets anything, find why it tripped, " +
			"and who may be at work there"}
	tube := condition.Cause{What: "the probe reads room air: its tube is off, cut or blocked",
		Check: "see on its trend whether the reading still moves with other exhausts; then look at the tube from the tap to the sensor"}
	damper := condition.Cause{What: "a damper between the probe and the fan is shut: backdraught damper stuck, isolating damper left closed",
		Check: "listen for the fan and look at the damper's indicator from outside; keep hands out, the fan can start by itself"}
	signal := condition.Cause{What: "the speed signal does not reach the drive, or the drive is in hand or off",
		Check: "compare the speed here with the drive's own display"}
	if f.cfg.ControlsAirflow {
		tube.What = "the airflow probe does not see the air: its tube is off, cut or clogged"
	}
	words := c.wheel.words(f)
	switch says := c.wheel.says; {
	case says == wheelTurns:
		by := "its proof is on, so the fan runs"
		if rpm, ok := finite(s.r.Get(reading.RPM)); ok {
			by = fmt.Sprintf("its rpm reads %.0f, so the wheel turns", rpm)
		}
		return likeliest(supported(tube, true, by), supported(damper, true, by), belt)
	case says == noPower:
		return likeliest(supported(belt, true, words+", as a motor without its load does"), motor, signal)
	case says >= wheelStands:
		return likeliest(supported(motor, true, words), belt, signal)
	}
	at, speed := &c.proof, ""
	if at.abrupt {
		speed = f.percent(unload(f, at.fromLoad))
	}
	follows := ""
	if c.climbed() {
		follows = fmt.Sprintf("the reading moved by %s while the speed went from %s to %s", f.show(math.Abs(at.slope*(at.high-at.low))),
			f.percent(unload(f, at.low)), f.percent(unload(f, at.high)))
	}
	return likeliest(
		supported(supported(belt, follows != "", follows), at.abrupt, "the pull was lost at once while it ran at "+speed+", as when a belt breaks"),
		supported(supported(motor, follows != "", follows), at.start, "it has shown no pull since its last start"),
		supported(tube, at.abrupt, "the pull was lost at once while it ran at "+speed),
		signal, damper)
}
