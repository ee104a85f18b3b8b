package rules

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// lockstep watches a climb from standstill. With a wrong sign the reading rises
// with the square of the speed (fan laws), from what it was at standstill, all
// the way, follows the speed with the lag of wheel and sensor, and stands where
// the top has brought it. Demand leads the speed and has its own shape: at
// standstill the reading is past the restart point already, or it rises before
// the speed does and ever less as the fan pulls.
//
// How well the climb must lie on the square depends on what else could be.
// Beyond what branch fans can push, and on the discharge side, where demand
// brings a reading to zero and hardly below, a rough fit does. A reading on the
// suction side that ends where branch fans could push it must have begun near
// zero or on the setpoint's side, and must fit closely.
type lockstep struct {
	open   bool
	rest   bool
	at     int64
	from   float64 // level at standstill, from demand
	fast   float64
	climb  int // readings short of the top
	top    bool
	topAt  int64
	fits   bool
	to     float64 // level that the climb came to
	lagged [3]filter
	lines  [3]line // reading against squared speed, by lag
	stand  stand
}

// (Engineering choices.)
const (
	lockLeast = 6 // readings on the way up
	lockQuick = 30 * time.Second
	lockLong  = 30 * time.Minute
	lockHalf  = 0.5   // of the squared speed there is
	lockOff   = 0.08  // of the rise: how far the reading may be off the square of the speed
	lockClose = 0.035 // the same where branch fans could have brought it there
	lockFar   = 4     // tolerances, the least that it must end on the wrong side
	lockStood = 0.85  // of the rise, that must stand
)

// lockLags are what wheel and sensor may lag behind the commanded speed.
var lockLags = [3]time.Duration{0, 6 * time.Second, 15 * time.Second}

// watch takes one sample, and returns true once a climb in lockstep with the
// speed has stood for the hold.
func (l *lockstep) watch(f *fan, s *sample, beyond float64, hold wait) (move, bool) {
	if s.step == 0 || f.clipped(s.value) || f.mode.resting {
		*l = lockstep{rest: s.step > 0 && f.mode.resting && !f.clipped(s.value), from: s.level}
		return move{}, false
	}
	if !l.rest && s.was == condition.Disabled && f.mode.started && f.mode.startAt == s.now {
		l.rest, l.from = true, s.level // nobody judges a fan that may not run
	}
	if l.rest {
		l.begin(s)
	}
	l.rest = false
	since := time.Duration(s.now - l.at)
	if !l.open || !s.mode.Own() || since > lockLong || s.speed < l.fast-offLimit {
		l.open = false
		return move{}, false
	}
	l.follow(f, s)
	if !l.top || time.Duration(s.now-l.topAt) <= dead {
		l.add(s)
		l.fits = since >= lockQuick && l.climb >= lockLeast && l.fast*l.fast >= lockHalf*f.cfg.MaxSpeed*f.cfg.MaxSpeed &&
			l.shows(f, s, beyond)
	}
	m := move{kind: start, at: l.at, fast: s.speed, from: l.from, to: s.level}
	stood := l.fits && s.level-l.from >= lockStood*(l.to-l.from)
	return m, l.stand.feed(s.now, s.gap, stood, hold)
}

func (l *lockstep) begin(s *sample) {
	l.open, l.at = true, s.now
	for i := range l.lagged {
		l.lagged[i].begun = true // at standstill
	}
}

// follow notes how far the fan has come.
func (l *lockstep) follow(f *fan, s *sample) {
	l.fast = max(l.fast, s.speed)
	switch top := s.speed >= f.cfg.MaxSpeed-atLimit-rounding; {
	case !top && !l.top:
		l.climb++
	case top && !l.top:
		l.top, l.topAt = true, s.now
	}
}

func (l *lockstep) add(s *sample) {
	l.to = s.level
	for i := range l.lines {
		l.lines[i].add(l.lagged[i].feed(s.speed*s.speed, s.step, lockLags[i]), s.demand)
	}
}

// shows reports whether the whole climb so far lies on the square of the speed
// and has led where it must for that to mean something.
func (l *lockstep) shows(f *fan, s *sample, beyond float64) bool {
	off := lockClose
	if s.level > beyond || f.cfg.Probe == config.Discharge {
		off = lockOff
	} else if l.from > s.tolerance {
		return false
	}
	rise := s.level - l.from
	if s.target >= 0 || s.level < lockFar*s.tolerance || math.Abs(l.from) > 0.2*rise {
		return false
	}
	for i := range l.lines {
		if l.lines[i].through(l.from, off*rise) {
			return true
		}
	}
	return false
}

// through reports whether the points lie on a rising line within off (standard
// deviation) that begins within twice that of y at zero.
func (l *line) through(y, off float64) bool {
	slope, margin := l.slope(0)
	spread := math.Sqrt(l.xx - l.sx*l.sx/l.n)
	still := l.y0 + l.sy/l.n - slope*(l.x0+l.sx/l.n)
	return slope > 0 && margin*spread <= off && math.Abs(still-y) <= 2*off
}
