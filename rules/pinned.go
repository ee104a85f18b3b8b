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
//
// In a group the riser is judged: a fan at its top is pinned when the partners
// that could help are at theirs, and the riser's shortage is told once
// (pinned_group.go).
type pinned struct {
	wait  wait
	stand stand // at its top and short, and nobody can help
	alone stand // at its top and short, whoever could help
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
	if p.alone.held {
		edge = offLimit
	}
	top := s.speed >= f.cfg.MaxSpeed-edge-rounding && s.speed >= f.cfg.StoppedBelow
	short := top && s.short() > s.tolerance
	unhelped := p.alone.feed(s.now, s.gap, short, p.without())
	if p.stand.feed(s.now, s.gap, short && !f.helped(s.now), p.wait) || unhelped {
		if f.yields(p, s.now) {
			return condition.Absent
		}
		return condition.Present
	}
	return condition.Absent
}

// found is the evidence that the fan was found pinned by.
func (p *pinned) found() *stand {
	if p.stand.full {
		return &p.stand
	}
	return &p.alone
}

func (p *pinned) since() int64 { return p.found().since }

func (p *pinned) severity(s condition.Setting) condition.Severity { return s.Severity }

func (p *pinned) rest() {
	p.stand.rest()
	p.alone.rest()
}

func (p *pinned) forget() {
	p.stand.forget()
	p.alone.forget()
}

func (p *pinned) finding(f *fan, s *sample) condition.Finding {
	value, stood := f.sense*s.level, p.found().stood
	finding := condition.Finding{
		Summary: fmt.Sprintf("at top speed (%s) for %s, reading %s against a setpoint of %s",
			f.units.Format(s.speed, units.Ratio), units.Span(stood), f.show(value),
			f.show(s.setpoint)) + f.company(s.now),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: stood.Seconds()},
		},
		Causes: p.causes(f, s),
	}
	r := &f.response
	if r.held > 0 {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: "held_setpoint_at_speed", Value: r.at},
			condition.Number{Name: f.key("made_then_at_full_speed"), Value: r.held})
	}
	if r.measured() {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: f.key("moved_by_full_speed"), Value: r.learned.value},
			condition.Number{Name: f.key("moved_by_full_speed_last"), Value: r.last})
	}
	return finding
}

// strength says how strongly a fan moves its reading now, beside before.
type strength uint8

const (
	notKnown strength = iota
	asEver
	weaker
	neverEnough // for this setpoint
)

// (Engineering choices.)
const (
	stillStrong = 0.75 // of the gain
	muchWeaker  = 0.5  // demand that rises as the fan climbs hides a part
	recently    = 24 * time.Hour
)

// strength compares what the fan showed last, at a stop, at a forced step or as
// it climbed after it had lost its setpoint, with what was learned before, and
// that with what its setpoint asks.
func (f *fan) strength(s *sample) strength {
	r := &f.response
	made, l := r.gain(), &r.lapse
	climbed := l.open && l.shows == showsEffect
	switch {
	case r.measured() && made*f.load(s.speed) < math.Abs(s.target):
		return neverEnough
	case climbed && l.slope >= stillStrong*made && made > 0:
		return asEver
	case climbed && l.slope < muchWeaker*made:
		return weaker
	case !r.measured() || r.firm < 2 || time.Duration(s.now-r.lastAt) > recently:
		return notKnown
	case r.last < stillStrong*made:
		return weaker
	}
	return asEver
}

// causes ranks what keeps a fan short, by how strongly it still moves its
// reading (response.go): one that pulls as ever is asked for more, one that pulls
// less is worn or blocked. Where that is not known they are ranked by how short it
// is: a fan that moves nothing reads about nothing, one that is nearly there is too
// small or leaks, and one whose reading lies beyond zero is pushed by others.
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
	worn := condition.Cause{What: "the fan moves less air than it did: a slipping belt, grease or lint on the wheel, a damper half shut",
		Check: "compare the trend of its reading at earlier starts and stops with the last; listen for a slipping belt from where it is " +
			"safe to stand, and lock the fan out before it is opened"}
	switch f.strength(s) {
	case neverEnough:
		return []condition.Cause{target, leak, demand, worn}
	case weaker:
		return []condition.Cause{worn, block, leak, proof}
	case asEver:
		return []condition.Cause{leak, demand, target, block}
	}
	if f.cfg.ControlsAirflow {
		return []condition.Cause{block, target, worn, proof, tube}
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
