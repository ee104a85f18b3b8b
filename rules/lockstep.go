package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// lockstep watches a slow climb from standstill to the top. With a wrong sign
// the reading rises with the square of the speed (fan laws) from what it was at
// standstill, all the way, and is at its height with the speed. Demand leads the
// speed and has its own shape, and a fan overrun by it shows its own pull.
type lockstep struct {
	open bool
	rest bool
	at   int64
	from float64 // level at standstill, from demand
	fast float64
	line line // reading against squared speed
}

// (Engineering choices.)
const (
	lockLeast = 8 // samples on the way up
	lockLong  = 12 * time.Minute
	lockOff   = 0.08 // of the rise: how far the reading may be off the square of the speed
)

// watch takes one sample, and returns true as the fan comes to its top if the
// reading climbed beyond what branch fans can push in lockstep with the speed.
func (l *lockstep) watch(f *fan, s *sample, beyond float64) (move, bool) {
	if s.step == 0 || f.clipped(s.value) || f.mode.resting {
		*l = lockstep{rest: s.step > 0 && f.mode.resting, from: s.level}
		return move{}, false
	}
	if l.rest {
		l.open, l.at = true, s.now
	}
	l.rest = false
	if !l.open {
		return move{}, false
	}
	since := time.Duration(s.now - l.at)
	if !own(s.mode) || since > lockLong || s.speed < l.fast-offLimit {
		l.open = false
		return move{}, false
	}
	l.fast = max(l.fast, s.speed)
	l.line.add(s.speed*s.speed, s.demand)
	if s.mode != condition.AtMax {
		return move{}, false
	}
	l.open = false
	m := move{kind: start, at: l.at, fast: s.speed, from: l.from, to: s.demand}
	return m, since >= window && s.demand > beyond && l.shows(m)
}

// shows reports whether the whole climb lies on the square of the speed.
func (l *lockstep) shows(m move) bool {
	rise := m.to - m.from
	if l.line.n < lockLeast || math.Abs(m.from) > 0.2*rise {
		return false
	}
	p := &l.line
	slope, margin := p.slope(0)
	spread := math.Sqrt(p.xx - p.sx*p.sx/p.n)
	still := p.y0 + p.sy/p.n - slope*(p.x0+p.sx/p.n)
	return slope > 0 && margin*spread <= lockOff*rise && math.Abs(still-m.from) <= 2*lockOff*rise
}
