package rules

import (
	"time"

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
