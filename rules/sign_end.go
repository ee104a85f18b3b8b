package rules

import (
	"time"
)

// toEnd watches for a reading with the wrong sign that runs into the end of a
// narrow sensor: from one that showed the fan draw it crosses to the other sign
// and climbs, as the fan speeds up, to an end beyond what branch fans can push. A
// sensor that breaks jumps there at an unchanged speed, and shows nothing between.
type toEnd struct {
	drew  bool
	at    int64 // when it last read with the right sign
	value float64
	speed float64
	cross bool    // it has read with the other sign since, short of the end
	last  float64 // that reading
	topAt int64   // since when the fan is at its top
	top   bool
}

// watch takes a sample of a fan that runs, and returns true when the reading
// has run to the end.
func (e *toEnd) watch(f *fan, s *sample, beyond float64) (move, bool) {
	top := s.speed >= f.cfg.MaxSpeed-atLimit-rounding
	if top && !e.top {
		e.topAt = s.now
	}
	e.top = top
	switch {
	case s.step == 0 || !s.mode.Own():
		*e = toEnd{}
	case s.demand <= -s.tolerance:
		*e = toEnd{drew: true, at: s.now, value: s.demand, speed: s.speed, top: e.top, topAt: e.topAt}
	case !e.drew || s.demand <= 0:
	case f.clipped(s.value):
		m := move{kind: run, at: e.at, slow: e.speed, fast: s.speed, from: e.value, to: s.demand, clipped: true, within: e.last}
		found := e.cross && s.demand > beyond && e.climbed(s, beyond)
		e.drew = false
		return m, found
	default:
		e.cross, e.last = true, s.demand
	}
	return move{}, false
}

// climbed reports whether the fan took the reading to the end: quickly, as it
// sped up, and no farther than the square of the speed (fan laws) takes what it
// made, which is at most what it read and what branch fans pushed.
func (e *toEnd) climbed(s *sample, beyond float64) bool {
	return time.Duration(s.now-e.at) <= quick && s.speed-e.speed > climbSpeed &&
		(!e.top || time.Duration(s.now-e.topAt) <= dead) &&
		s.demand*e.speed*e.speed <= (beyond-e.value)*s.speed*s.speed
}
