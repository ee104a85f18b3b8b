package rules

import (
	"fmt"
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// pinnedAtMin judges pinned_at_min: the fan stays at its lowest speed, draws
// more than its setpoint by more than the tolerance, and can neither slow
// further nor go idle, for the hold. It wastes power and conditioned air; nobody
// need hurry.
//
// Demand that lifts it off its lowest speed for less than ten minutes does not
// start the hold anew, and does not count. A fan whose settings let it go idle at
// its lowest speed is not judged, and while a fan hunts, what it does there
// proves nothing. It is over once the fan has been off
// its lowest speed, or within the tolerance, for ten minutes.
type pinnedAtMin struct {
	wait    wait
	stand   stand
	outside float64 // C, when last read
	knows   bool
}

// lowPatience is how long demand may lift the fan off its lowest speed. (An
// engineering choice.)
const lowPatience = 10 * time.Minute

func (p *pinnedAtMin) configure(_ *fan, s condition.Setting) {
	p.wait = wait{hold: s.Hold, grace: lowPatience, exit: lowPatience}
}

func (p *pinnedAtMin) judge(f *fan, s *sample) condition.State {
	if !s.judgeable() {
		return condition.CannotJudge
	}
	if t, ok := finite(s.r.Get(reading.OutdoorTemperature)); ok {
		p.outside, p.knows = t, true
	}
	if f.cfg.GoesIdle && f.cfg.MinSpeed <= f.cfg.IdleBelow {
		return condition.CannotJudge
	}
	slowest := s.speed <= max(f.cfg.MinSpeed, f.cfg.StoppedBelow)+atLimit+rounding && s.mode != condition.Starting
	over := slowest && s.short() < -s.tolerance
	if over && f.active(condition.Hunting) {
		p.stand.pause()
		return condition.CannotJudge
	}
	if p.stand.feed(s.now, s.gap, over, p.wait) {
		return condition.Present
	}
	return condition.Absent
}

func (p *pinnedAtMin) since() int64 { return p.stand.since }

func (p *pinnedAtMin) severity(s condition.Setting) condition.Severity { return s.Severity }

func (p *pinnedAtMin) rest() { p.stand.rest() }

func (p *pinnedAtMin) forget() { *p = pinnedAtMin{wait: p.wait} }

func (p *pinnedAtMin) finding(f *fan, s *sample) condition.Finding {
	value := f.sense * s.level
	over := math.Abs(s.short())
	finding := condition.Finding{
		Summary: fmt.Sprintf("at its lowest speed (%s) for %s and still moves more than it should: reads %s against a setpoint of %s",
			f.units.Format(s.speed, units.Ratio), units.Span(p.stand.stood), f.show(value), f.show(s.setpoint)),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: p.stand.stood.Seconds()},
		},
	}
	draught, known := p.draught(f)
	if known {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: "draught_pa", Value: draught},
			condition.Number{Name: "outdoor_c", Value: p.outside})
	}
	finding.Causes = p.causes(f, over, draught, known)
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
func (p *pinnedAtMin) causes(f *fan, over, draught float64, known bool) []condition.Cause {
	lowest := condition.Cause{What: "its lowest speed is set higher than this riser needs",
		Check: "compare `min_speed` with the controller's setting and with the papers of the handover; a motor may need it for its cooling"}
	target := condition.Cause{What: "the setpoint is less than the riser needs at its lowest demand",
		Check: "compare the setpoint with the papers of the handover"}
	closed := condition.Cause{What: "the riser is shut off: branches closed, floors empty, dampers shut",
		Check: "ask whether the rooms that it serves are empty, and see on its trend when it last had demand"}
	idle := condition.Cause{What: "it cannot go idle: its lowest speed lies above the speed below which it would",
		Check: "compare `idle_below` and `min_speed` in the fleet file with the controller's own settings"}
	pull := condition.Cause{What: "draught pulls with the fan, as it does in tall risers in winter",
		Check: "see on its trend whether the reading follows the outdoor temperature; it then passes with the cold"}
	causes := []condition.Cause{lowest, closed, target}
	if f.cfg.GoesIdle {
		causes = []condition.Cause{idle, closed, target}
	}
	if f.cfg.ControlsAirflow {
		return causes
	}
	switch {
	case known && draught >= over/2 && f.cfg.Reference != config.Outdoor:
		pull.What = fmt.Sprintf("draught pulls with the fan: a riser of %s makes about %s at %s outdoors, and the reading is %s past its setpoint",
			f.units.Format(f.cfg.RiserHeight, units.Length), f.show(draught), f.units.Format(p.outside, units.Temperature), f.show(over))
		return append([]condition.Cause{pull}, causes...)
	case known:
		pull.What = fmt.Sprintf("draught, though it explains little here: a riser of %s makes about %s at %s outdoors",
			f.units.Format(f.cfg.RiserHeight, units.Length), f.show(draught), f.units.Format(p.outside, units.Temperature))
	}
	return append(causes, pull)
}
