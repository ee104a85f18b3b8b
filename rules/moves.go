package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// moveKind says at what change of speed the reading was compared.
type moveKind uint8

const (
	noMove moveKind = iota
	start
	stop
	forced
	release // of an override
	run     // to the top
	turn    // of the reading, at an unchanged speed (flip.go)
)

func (k moveKind) String() string {
	return [...]string{"standstill", "start", "stop", "forced step", "release of an override", "run to the top",
		"turn of the reading"}[k]
}

// move is a change of speed and what the reading did at it.
type move struct {
	kind    moveKind
	at      int64   // when it began
	slow    float64 // speed before
	fast    float64 // speed after
	from    float64 // reading before, from demand
	to      float64 // reading after
	clipped bool    // the sensor was at an end of its range
	within  float64 // the last reading, from demand, before it came there
}

// wrongWay is how far the reading moved the wrong way: a faster fan must bring
// it away from demand. It is negative for a move the right way.
func (m move) wrongWay() float64 {
	if m.fast > m.slow {
		return m.to - m.from
	}
	return m.from - m.to
}

// faster is the reading, from demand, at the higher of the two speeds.
func (m move) faster() float64 {
	if m.fast > m.slow {
		return m.to
	}
	return m.from
}

// reachable reports whether the fan can have brought the reading there: the
// square of the speed (fan laws) takes it no farther than from what it read and
// what branch fans pushed. At a start the first reading has not followed yet.
func (m move) reachable(pushed float64) bool {
	return m.kind == start || m.to*m.slow*m.slow <= (math.Abs(m.from)+pushed)*m.fast*m.fast
}

// climbs reports whether the fan speeds up by itself in such a move.
func (k moveKind) climbs() bool { return k == start || k == run }

// demanded reports whether the controller itself made the move as it followed
// demand: then the reading moves with demand as well as with the speed, and
// either sign can come out.
func (m move) demanded() bool { return m.kind == run || m.kind == release }

// Figures of moves. (Engineering choices.)
const (
	bigStep  = 0.2              // speed, the least that must show in the reading
	quick    = time.Minute      // within which it must have happened
	dead     = 20 * time.Second // what the pressure and its sensor take to follow
	window   = time.Minute      // by when the level after a step is known
	longRamp = 2 * time.Minute
	ramping  = 0.01 // speed, a ramp goes on while it rises by more
	dropping = 0.1  // speed, a ramp is over when it has fallen by more
)

// moves watches for changes of speed at which the sign of the reading shows.
//
// Stops, forced steps and their release compare the level before with the one
// 20 to 60 s after. At a start demand itself moves the reading, so only what comes from
// the first running sample to the end of the ramp is compared; likewise at a
// run to the top, from where it began.
type moves struct {
	move
	peak int64 // when the ramp last rose
	sum  float64
	n    int

	known   bool // the sample before
	rested  bool
	speed   float64
	level   float64
	clipped bool
	last    float64 // the last reading within the sensor's range

	below   bool // the fan was well below its top
	belowAt int64
	low     move // what it read there
}

// watchMoves shows the rules the move that comes to its end with a sample.
// While nobody may judge the fan, nothing is watched.
func (f *fan) watchMoves(s *sample) {
	switch {
	case s.mode == condition.Disabled || s.mode == condition.Forced && f.mode.resting:
		f.moves.abandon()
	case s.hasValue && s.hasSpeed && !f.unsure():
		s.move, s.moved = f.moves.watch(f, s)
		f.watchResponse(s)
	}
}

// abandon drops what is being watched.
func (m *moves) abandon() { *m = moves{} }

// watch takes one sample and returns a move when one is complete.
func (m *moves) watch(f *fan, s *sample) (move, bool) {
	if s.step == 0 {
		m.abandon()
	}
	if m.known {
		m.begin(f, s)
	}
	done := m.follow(f, s)
	found := m.move
	if done {
		m.kind = noMove
	}
	m.remember(f, s)
	return found, done && math.Abs(found.fast-found.slow) >= bigStep-rounding
}

// begin looks whether a move begins with this sample.
func (m *moves) begin(f *fan, s *sample) {
	rest := f.mode.resting
	switch {
	case !m.rested && rest:
		m.open(stop, s, m.speed, m.level, m.clipped)
	case s.mode == condition.Forced && s.was != condition.Forced && !rest:
		m.open(forced, s, m.speed, m.level, m.clipped)
	case s.was == condition.Forced && s.mode.Own() && !rest:
		m.open(release, s, m.speed, m.level, m.clipped)
	case m.rested && !rest:
		m.open(start, s, s.speed, s.demand, f.clipped(s.value))
	case s.mode == condition.AtMax && m.kind == noMove && m.below && time.Duration(s.now-m.belowAt) <= quick:
		m.open(run, s, m.low.slow, m.low.from, m.low.clipped)
		m.within = m.last
		m.below = false
	}
}

func (m *moves) open(kind moveKind, s *sample, speed, level float64, clipped bool) {
	m.move = move{kind: kind, at: s.now, slow: speed, fast: s.speed, from: level, clipped: clipped, within: level}
	m.peak, m.sum, m.n = s.now, 0, 0
}

// follow adds a sample to the move that is being watched and returns whether
// it is complete.
func (m *moves) follow(f *fan, s *sample) bool {
	since := time.Duration(s.now - m.at)
	switch m.kind {
	case stop, forced:
		if (m.kind == stop) != f.mode.resting || (m.kind == forced) != (s.mode == condition.Forced) ||
			math.Abs(s.speed-m.fast) > offLimit {
			m.kind = noMove
			return false
		}
		if since >= dead {
			m.add(f, s)
		}
		return since >= window && m.n > 0
	case release:
		return m.settle(f, s, since)
	case start, run:
		return m.climb(f, s, since)
	}
	return false
}

// settle follows a fan that its controller has back, to where it has brought
// it.
func (m *moves) settle(f *fan, s *sample, since time.Duration) bool {
	if f.mode.resting || !s.mode.Own() {
		m.kind = noMove
		return false
	}
	m.fast = s.speed
	if since >= dead {
		m.add(f, s)
	}
	return since >= window && m.n > 0
}

// climb follows a ramp to its end.
func (m *moves) climb(f *fan, s *sample, since time.Duration) bool {
	if f.mode.resting || !s.mode.Own() {
		m.kind = noMove
		return false
	}
	if s.speed > m.fast+ramping {
		m.fast, m.peak, m.sum, m.n = s.speed, s.now, 0, 0
	}
	over := s.speed < m.fast-dropping
	if !over || m.n == 0 {
		m.add(f, s)
	}
	if !f.clipped(s.value) {
		m.within = s.demand
	}
	return over || time.Duration(s.now-m.peak) >= dead || since >= longRamp
}

// add takes a sample into the level after the move.
func (m *moves) add(f *fan, s *sample) {
	m.sum += s.demand
	m.n++
	m.to = m.sum / float64(m.n)
	m.move.clipped = m.move.clipped || f.clipped(s.value)
}

// remember keeps what the next sample is compared with.
func (m *moves) remember(f *fan, s *sample) {
	m.known, m.rested, m.speed, m.level, m.clipped = true, f.mode.resting, s.speed, s.level, f.clipped(s.value)
	if !m.clipped {
		m.last = s.demand
	}
	if s.mode.Own() && s.speed <= f.cfg.MaxSpeed-bigStep {
		m.below, m.belowAt = true, s.now
		m.low = move{slow: s.speed, from: s.level, clipped: m.clipped}
	}
}
