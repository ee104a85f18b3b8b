package rules

import (
	"fmt"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *stuck) finding(f *fan, s *sample) condition.Finding {
	long := c.found().stood
	value := f.sense * s.level
	finding := condition.Finding{Evidence: []condition.Number{{Name: "stood_s", Value: long.Seconds()},
		{Name: "speed", Value: s.speed}}}
	add := func(name string, value float64) {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: name, Value: value})
	}
	if s.hasValue && s.hasSetpoint {
		add(f.key(f.controlled.String()), value)
		add(f.key("setpoint"), s.setpoint)
		add(f.key("tolerance"), s.tolerance)
	}
	rise, known := restartRise(f, s)
	point := f.sense * (s.target + rise)
	if known && s.hasValue && s.hasSetpoint {
		add("restart_point_pa", point)
	}
	switch c.why {
	case pastRestart:
		finding.Summary = "stopped for " + units.Span(long) + " past its restart point of " + f.show(point) + ", reading " + f.show(value)
		finding.Causes = c.pastCauses(f, s, rise)
	case demandStep:
		d := &c.draught
		rose := d.stay.value - d.expected
		finding.Summary = "idle though its reading rose by " + f.show(rose) + " at once " + units.Span(long) +
			" ago and stayed there: draught does not do that"
		add("before_pa", f.sense*d.expected)
		add("step_pa", rose)
		by := ""
		if known && s.short() < rise {
			by = "with the rise it reads " + f.show(value) + ", still short of its restart point of " + f.show(point)
		}
		finding.Causes = stepCauses(by)
	default:
		finding.Summary = "idle for " + units.Span(long) + " without a start"
		finding.Causes = longCauses(f, s)
	}
	return finding
}

func (c *stuck) pastCauses(f *fan, s *sample, rise float64) []condition.Cause {
	beyond := s.short() - rise
	controller := condition.Cause{What: "the controller does not start: a fault, a lock or a setting of its own holds it",
		Check: "read its fault point with `fanwarden points`, then the controller's display; the fan can start by itself at any time"}
	wiring := condition.Cause{What: "something in its wiring keeps it off that no contact shows: a disconnect, a fire relay, a safety switch",
		Check: "ask whether the fire alarm, a schedule or somebody at work holds it before anybody looks for a fault; a safety contact is left as it is"}
	setting := condition.Cause{What: "the restart rise in the fleet file is not the controller's",
		Check: "compare it with the controller's own setting, with `fanwarden points` where it is read back"}
	probe := condition.Cause{What: "the probe reads pressure that is not the riser's: tube off, blocked or wet",
		Check: "see on the trend whether the reading moves with the wind and with other exhausts"}
	_, readBack := f.cfg.Placed(reading.RestartRise)
	return likeliest(
		supported(setting, !readBack && beyond < s.tolerance, "it is only "+f.show(beyond)+" past the restart point of the fleet file, and the "+
			"controller's own is not read"),
		supported(controller, f.mode.enable.known && f.mode.enable.on, "its enable contact permits it to run, and it is "+f.show(beyond)+
			" past its restart point"),
		supported(wiring, !f.mode.enable.known, "no contact is read that says whether it is permitted to run"),
		supported(probe, s.level > f.cfg.Rules[condition.InvertedSign].Own[condition.BeyondPushes],
			f.show(f.sense*s.level)+" is more than branch fans push, as a rule"))
}

func stepCauses(short string) []condition.Cause {
	return []condition.Cause{
		{What: "the restart rise is set higher than the exhausts of this riser can push", Speaks: short,
			Check: "compare restart rise and setpoint with the size of the step on its trend; a rise near the setpoint's own size is usual"},
		{What: "the setpoint is too low for the riser, so that the restart point lies out of reach", Speaks: short,
			Check: "compare setpoint and restart rise with the papers of the handover"},
		{What: "something other than demand raised the pressure: a door or damper, or another fan that stopped",
			Check: "see what else changed in the building at that time"},
	}
}

func longCauses(f *fan, s *sample) []condition.Cause {
	unused := condition.Cause{What: "nobody uses what it serves",
		Check: "ask whether the rooms are empty: holidays and renovations are the usual reason"}
	draught := condition.Cause{What: "draught alone holds the riser past its setpoint",
		Check: "see on its trend whether the reading follows the outdoor temperature"}
	blind := condition.Cause{What: "the restart point is out of reach, or the probe does not see the riser",
		Check: "have somebody run one exhaust of the riser and watch the reading with `fanwarden points`"}
	suction := f.cfg.Probe == config.Suction && s.hasValue && s.hasSetpoint
	rise, known := restartRise(f, s)
	return likeliest(
		supported(draught, suction && s.short() <= 0, fmt.Sprintf("it stands, and reads %s all the same: its setpoint is %s",
			f.show(f.sense*s.level), f.show(s.setpoint))),
		supported(unused, suction && known && s.short() > 0 && s.short() < rise, fmt.Sprintf("it reads %s, and would start at %s",
			f.show(f.sense*s.level), f.show(f.sense*(s.target+rise)))),
		blind)
}
