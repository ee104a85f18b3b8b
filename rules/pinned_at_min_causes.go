package rules

import (
	"fmt"
	"math"

	"fanwarden/config"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (p *pinnedAtMin) finding(f *fan, s *sample) condition.Finding {
	value := f.sense * s.level
	finding := condition.Finding{
		Summary: fmt.Sprintf("at its lowest speed (%s) for %s and still moves more than it should: reads %s against a setpoint of %s",
			f.percent(s.speed), units.Span(p.stand.stood), f.show(value), f.show(s.setpoint)),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: p.stand.stood.Seconds()},
		},
		Causes: p.causes(f, s),
	}
	if draught, known := p.draught(f); known {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: "draught_pa", Value: draught},
			condition.Number{Name: "outdoor_c", Value: p.outside})
	}
	return finding
}

// room is the temperature that a heated building is taken to have, in C. (An
// engineering choice.)
const room = 20.0

// draught is the stack effect over the riser as the outdoor temperature was
// last read, in Pa, above 0 where the riser draws by itself: 3463 h (1/To - 1/Ti),
// with absolute temperatures and a height in m (ASHRAE Handbook Fundamentals,
// chapter on ventilation and infiltration, at sea level).
func (p *pinnedAtMin) draught(f *fan) (pa float64, known bool) {
	if !p.knows || f.cfg.RiserHeight <= 0 || f.cfg.ControlsAirflow || p.outside <= -100 {
		return 0, false
	}
	const zero = 273.15
	return 3463 * f.cfg.RiserHeight * (1/(p.outside+zero) - 1/(room+zero)), true
}

// causes says first whether draught explains it: only a riser whose probe
// breathes indoors reads draught of its own.
func (p *pinnedAtMin) causes(f *fan, s *sample) []condition.Cause {
	lowest := condition.Cause{What: "its lowest speed is set higher than this riser needs",
		Check: "compare `min_speed` with the controller's setting and with the papers of the handover; a motor may need it for its cooling"}
	target := condition.Cause{What: "the setpoint is less than the riser needs at its lowest demand",
		Check: "compare the setpoint with the papers of the handover"}
	closed := condition.Cause{What: "the riser is shut off: branches closed, floors empty, dampers shut",
		Check: "ask whether the rooms that it serves are empty, and see on its trend when it last had demand"}
	idle := condition.Cause{What: "it cannot go idle: its lowest speed lies above the speed below which it would",
		Speaks: "its lowest speed is " + f.percent(f.cfg.MinSpeed) + ", and it would go idle only at " + f.percent(f.cfg.IdleBelow),
		Check:  "compare `idle_below` and `min_speed` in the fleet file with the controller's own settings"}
	pull := condition.Cause{What: "draught pulls with the fan, as it does in tall risers in winter",
		Check: "see on its trend whether the reading follows the outdoor temperature; it then passes with the cold"}
	enough := f.enough(s)
	lowest = supported(lowest, enough > 0, fmt.Sprintf("by the fan laws %s of speed would hold the setpoint, and it runs at %s",
		f.percent(enough), f.percent(s.speed)))
	causes := []condition.Cause{lowest, closed, target}
	if f.cfg.GoesIdle {
		causes = []condition.Cause{idle, closed, target}
	}
	if f.cfg.ControlsAirflow {
		return causes
	}
	draught, known := p.draught(f)
	over := math.Abs(s.short())
	makes := fmt.Sprintf("a riser of %s makes about %s at %s outdoors, and the reading is %s past its setpoint",
		f.units.Format(f.cfg.RiserHeight, units.Length), f.show(draught), f.units.Format(p.outside, units.Temperature), f.show(over))
	if known && draught >= over/2 && f.cfg.Reference != config.Outdoor {
		causes[0] = supported(causes[0], !f.cfg.GoesIdle, "") // the fan laws say nothing where draught does it
		return append([]condition.Cause{supported(pull, true, makes)}, causes...)
	}
	return append(causes, pull)
}

// enough is the speed at which the fan laws have it hold its setpoint, as it
// stands; 0 where its reading and its setpoint do not go together.
func (f *fan) enough(s *sample) float64 {
	if s.level >= 0 && !f.cfg.ControlsAirflow || s.target/s.level <= 0 {
		return 0
	}
	if f.cfg.ControlsAirflow {
		return s.speed * s.target / s.level
	}
	return s.speed * math.Sqrt(s.target/s.level)
}
