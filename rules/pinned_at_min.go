package rules

import (
	"time"

	"fanwarden/poller/reading"
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
