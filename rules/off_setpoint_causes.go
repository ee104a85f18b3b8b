package rules

import (
	"fmt"
	"math"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (o *offSetpoint) finding(f *fan, s *sample) condition.Finding {
	value := s.setpoint + f.sense*o.off
	unused := "has speed left up to " + f.percent(f.cfg.MaxSpeed) + " and does not use it"
	if o.off < 0 {
		unused = "could slow down to " + f.percent(f.cfg.MinSpeed) + " and does not"
	}
	return condition.Finding{
		Summary: fmt.Sprintf("has read %s against a setpoint of %s for %s at %s speed; it %s", f.show(value), f.show(s.setpoint),
			units.Span(o.stand.stood), f.percent(o.speed.value), unused),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: o.speed.value},
			{Name: "stood_s", Value: o.stand.stood.Seconds()},
		},
		Causes: o.causes(f),
	}
}

// causes ranks what lets a fan rest away from its setpoint: where the setpoint
// is not read, the file may be wrong about it; a speed that stands still is fixed,
// one that moves and does not get there is a loop that is too weak.
func (o *offSetpoint) causes(f *fan) []condition.Cause {
	setpoint := condition.Cause{What: "the controller holds another setpoint than the fleet file says",
		Check: "compare `setpoint` in the fleet file with the controller's own display"}
	hand := condition.Cause{What: "somebody has fixed the speed at the controller or the drive",
		Check: "see on its trend since when the speed does not move, then ask who left the fan in hand, before anybody gives it back"}
	limit := condition.Cause{What: "a limit of the drive or the controller is tighter than the fleet file says",
		Check: "see on its trend whether the speed ever passes where it stands now, then compare `min_speed` and `max_speed`"}
	slow := condition.Cause{What: "the controller is far too slow, has a wide dead band, or has no integral",
		Check: "see on its trend whether the distance from the setpoint changes with demand and never closes"}
	probe := condition.Cause{What: "the controller holds its setpoint by another sensor than this reading, or one of the two has drifted",
		Check: "compare the reading from `fanwarden points` with the controller's own display"}
	now, before := o.speed.value, o.slow.value
	still := math.Abs(now-before) < speedReturns/2
	stands, moves := "the speed has stood at "+f.percent(now)+" for minutes", ""
	if math.Abs(now-before) >= 2*speedReturns {
		moves = "the speed moves (" + f.percent(before) + " some minutes ago, " + f.percent(now) + " now) and the reading does not come back"
	}
	causes := []condition.Cause{supported(hand, still, stands), supported(limit, still, stands), supported(slow, moves != "", moves), probe}
	if !f.setpointPoint {
		causes = append([]condition.Cause{supported(setpoint, true, "the setpoint is the fleet file's; the controller's own is not read")}, causes...)
	}
	return likeliest(causes...)
}
