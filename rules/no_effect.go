package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// noEffect judges no_effect: the fan is commanded 20 points or more above its
// minimum, or to its top, past its start, and moves nothing. One of two things
// shows it:
//
//   - still: something beside the reading says that the wheel does not turn, for
//     proven_hold (wheel.go). The reading must be short of setpoint as well: a fan
//     that holds its setpoint has a bad proof. Little power shows it only where the
//     reading shows no pull either.
//   - nothing: the reading shows no pull at all, for the hold, and it did not
//     follow the speed either. As the fan climbed the reading stayed where it was;
//     or a stop or a forced step moved it by less than a seventh of what such
//     moves did before; or, where the climb was too quick to be seen, the reading
//     fell by just what the fan had made at the speed it had (lapse.go). On
//     discharge demand does not bring the reading to nothing within a minute, so
//     that it went there at once suffices; a flow it does not bring to nothing at
//     all.
//
// A motor that takes the power of a fan at its speed moves air: then the reading
// alone shows nothing. A controller that has lost its reading to demand runs to its top; one that
// stays between its limits is not found by what it reads alone.
//
// A fan that is overrun by demand shows no pull either, but it moved its reading
// as it climbed, or it reached its top before the reading was lost: that is
// pinned_at_max. So is a fan at its top of which nobody saw how it came there, and
// one whose partner on the riser lost its pull in the same minutes.
//
// It is over when the fan has pulled clearly, or held its setpoint between its
// limits, for two minutes, and nothing says that the wheel stands still.
type noEffect struct {
	wait   wait
	proven wait

	wheel   wheel
	still   stand
	nothing stand
	pulls   stand

	why   whyNothing
	from  int64 // since when
	proof lapse // what was seen as the pull was lost

	overrun time.Duration // of the fan, as it was found
}

// whyNothing says what shows that a fan moves nothing.
type whyNothing uint8

const (
	moving whyNothing = iota
	nothingRead
	wheelStill
)

// (Engineering choices.)
const (
	wellAbove    = 0.2 // speed, above the minimum
	nothingGrace = time.Minute
	stillGrace   = 30 * time.Second
	effectExit   = 2 * time.Minute
	sameMinutes  = 2 * time.Minute
	doubtsFor    = 29 * time.Minute // beyond that, what it would explain is not held back
)

func (c *noEffect) configure(_ *fan, s condition.Setting) {
	c.wait = wait{hold: s.Hold, grace: nothingGrace, exit: effectExit}
	c.proven = wait{hold: s.OwnDuration(condition.ProvenHold), grace: stillGrace, exit: effectExit}
}

func (c *noEffect) judge(f *fan, s *sample) condition.State {
	if !s.judgeable() {
		return condition.CannotJudge
	}
	c.wheel.learn(f, s)
	says := c.wheel.look(f, s)
	holds := s.mode == condition.Controlling && math.Abs(s.short()) <= s.tolerance
	effect := says < wheelStands && (holds || s.level <= clearly*s.target)
	if c.pulls.feed(s.now, s.gap, effect, wait{hold: effectExit}) && c.why != moving {
		f.response.overrun = c.overrun // it was no demand that ended
		c.forget()
	}
	if f.commanded(s) {
		c.weigh(f, s, says)
	} else {
		c.still.rest()
		c.nothing.rest()
	}
	if c.why == moving {
		return condition.Absent
	}
	return condition.Present
}

// commanded reports whether a fan is commanded well above its minimum.
func (f *fan) commanded(s *sample) bool {
	return s.speed >= min(f.cfg.MinSpeed+wellAbove, f.cfg.MaxSpeed-atLimit)-rounding && !f.mode.resting
}

// weigh feeds the evidence of a fan that ought to move something.
func (c *noEffect) weigh(f *fan, s *sample, says wheelSays) {
	short := s.short() > s.tolerance
	least := f.nothing(s)
	if c.nothing.held {
		least *= 1.5
	}
	stands := says >= wheelStands && (says != noPower || max(s.level, s.demand) >= least) // a weak fan takes little power, and pulls
	if c.still.feed(s.now, s.gap, stands && short, c.proven) {
		c.find(f, wheelStill, c.still.since)
	}
	none := s.level >= least && short && !f.clipped(s.value) && says != wheelLoaded
	if c.nothing.feed(s.now, s.gap, none, c.patience(f, s)) && s.mode != condition.Controlling && f.shownNothing(s) {
		c.find(f, nothingRead, c.nothing.since)
		c.proof = f.response.lapse
	}
}

// patience is how long the reading must show nothing: the hold, a quarter more
// where it is pushed farther beyond nothing than the setpoint lies on this side
// of it, and half as long again as demand ever overran the fan.
func (c *noEffect) patience(f *fan, s *sample) wait {
	w := c.wait
	if f.response.lapse.after > math.Abs(s.target) {
		w.hold += w.hold / 4
	}
	w.hold = max(w.hold, f.response.overrun*3/2)
	return w
}

// find notes what was found; that the wheel stands still says more.
func (c *noEffect) find(f *fan, why whyNothing, since int64) {
	if c.why == moving {
		c.overrun = f.response.overrun
	}
	if why > c.why {
		c.why, c.from = why, since
	}
}

// shownNothing reports whether the fan was seen not to move its reading as it
// lost it.
func (f *fan) shownNothing(s *sample) bool {
	l := &f.response.lapse
	switch {
	case !l.open || l.shows == showsEffect || f.lostTogether():
		return false
	case l.shows == showsNoEffect:
		return true
	}
	return f.sense < 0 && l.over && (l.abrupt || f.cfg.ControlsAirflow) && f.response.gain() > 0 && math.Abs(s.level) <= -f.nothing(s)
}

// lostTogether reports whether a running partner of the riser lost its pull at
// the same time: no two belts break in the same minutes, and both read what
// happened to their riser.
func (f *fan) lostTogether() bool {
	for _, p := range f.partners {
		other := &p.response.lapse
		if !p.mode.resting && other.open && time.Duration(other.at-f.response.lapse.at).Abs() <= sameMinutes {
			return true
		}
	}
	return false
}

// doubts reports whether the fan is about to be found to move nothing.
func (c *noEffect) doubts(f *fan, s *sample) bool {
	if c.why != moving {
		return false
	}
	return c.still.open && c.still.stood >= c.proven.hold/2 ||
		c.nothing.open && c.nothing.stood >= c.wait.hold/2 && c.patience(f, s).hold <= doubtsFor &&
			f.response.lapse.shows == showsNoEffect && !f.lostTogether()
}

func (c *noEffect) since() int64 { return c.from }

func (c *noEffect) severity(s condition.Setting) condition.Severity { return s.Severity }

// rest drops what has not been found yet.
func (c *noEffect) rest() {
	c.still.rest()
	c.nothing.rest()
	c.pulls.forget()
}

func (c *noEffect) forget() {
	*c = noEffect{wait: c.wait, proven: c.proven, wheel: c.wheel}
}
