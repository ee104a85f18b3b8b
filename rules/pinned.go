package rules

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// pinned judges pinned_at_max: the fan stays at its top speed and is short of
// its setpoint by more than the tolerance, for the hold, and nothing forces it.
// It can do no more, and it is not enough.
//
// The hold is longer than the demand peaks of a healthy building. It is over
// once the fan has left its top by five points, or reached its setpoint within
// the tolerance, for two minutes.
type pinned struct {
	wait  wait
	stand stand
}

// Interruptions of a pinned fan. (Engineering choices.)
const (
	pinnedGrace = 30 * time.Second
	pinnedExit  = 2 * time.Minute
)

func (p *pinned) configure(_ *fan, s condition.Setting) {
	p.wait = wait{hold: s.Hold, grace: pinnedGrace, exit: pinnedExit}
}

func (p *pinned) judge(f *fan, s *sample) condition.State {
	if !s.judgeable() {
		return condition.CannotJudge
	}
	edge := atLimit
	if p.stand.held {
		edge = offLimit
	}
	top := s.speed >= f.cfg.MaxSpeed-edge-rounding && s.speed >= f.cfg.StoppedBelow
	if p.stand.feed(s.now, s.gap, top && s.short() > s.tolerance, p.wait) {
		return condition.Present
	}
	return condition.Absent
}

func (p *pinned) since() int64 { return p.stand.since }

func (p *pinned) severity(s condition.Setting) condition.Severity { return s.Severity }

func (p *pinned) rest() { p.stand.rest() }

func (p *pinned) forget() { p.stand.forget() }

func (p *pinned) finding(f *fan, s *sample) condition.Finding {
	value := f.sense * s.level
	return condition.Finding{
		Summary: fmt.Sprintf("at top speed (%s) for %s, reading %s against a setpoint of %s",
			f.units.Format(s.speed, units.Ratio), units.Span(p.stand.stood), f.show(value),
			f.show(s.setpoint)),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: p.stand.stood.Seconds()},
		},
		Causes: p.causes(f, s),
	}
}

// causes ranks what keeps a fan short, by how short it is: a fan that moves
// nothing reads about nothing, one that is nearly there is too small or leaks,
// and one whose reading lies beyond zero is pushed by others.
func (p *pinned) causes(f *fan, s *sample) []condition.Cause {
	proof := condition.Cause{What: "the motor does not turn the wheel: belt, coupling, failed motor or drive",
		Check: "compare speed with rpm, power or the proof contact (`fanwarden points` shows them); before anyone opens the fan it must " +
			"be locked out, for it can start by itself"}
	leak := condition.Cause{What: "the riser leaks: an access door, a cap or a damper left open",
		Check: "ask on the floors it serves what was opened lately, and look at the access doors from outside"}
	target := condition.Cause{What: "the setpoint is more than this fan can hold",
		Check: "see on its trend how long it has ever held this setpoint, and compare it with the papers of the handover"}
	demand := condition.Cause{What: "more exhausts into the riser than the fan was chosen for",
		Check: "see on its trend whether it returns to setpoint at night"}
	block := condition.Cause{What: "something blocks the fan's outlet or inlet: damper, bird screen, ice, lint",
		Check: "look at the outlet from where it is safe to stand; keep hands out, the fan can start by itself"}
	tube := condition.Cause{What: "the probe's tube is off, blocked, swapped or on the other side of the fan",
		Check: "see on its trend whether the reading moved at all at the last start or stop"}
	if f.cfg.ControlsAirflow {
		return []condition.Cause{block, target, proof, tube}
	}
	short := math.Abs(s.short())
	beyondZero := f.sense*s.level*math.Copysign(1, s.setpoint) < -s.tolerance
	switch {
	case beyondZero:
		return []condition.Cause{tube, demand, proof, block}
	case s.level > s.target/3:
		return []condition.Cause{proof, tube, leak, block, demand}
	case short <= 10:
		return []condition.Cause{leak, target, demand, block}
	}
	return []condition.Cause{leak, block, demand, target, proof}
}
