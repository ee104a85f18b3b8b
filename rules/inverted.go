package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// inverted judges inverted_sign: the fan reads its pressure with the wrong
// sign, because the probe side is set wrong, its tubes are swapped, or the sign
// was lost in the point map. One of four things shows it:
//
//   - moves: the reading moves the wrong way at a start, a stop, a forced step or
//     a run to the top (moves.go). A move by more than branch fans can push, to
//     where they cannot push it, suffices; of smaller ones it takes two with no
//     right one between, of which at least one is a stop or a forced step,
//     because at a start demand may outrun the fan. A run to the top and the
//     release of an override follow demand, so nothing smaller there counts, for
//     or against. A gust may do the same: after a start or a run to the top the
//     fan must also stay there, reading as far wrong, for the hold.
//   - climb: from standstill the reading rises in lockstep with the squared speed
//     and stands there for the hold (lockstep.go).
//   - limit: at its top speed, of its own or forced, it reads more than three
//     times its setpoint and more than branch fans can push (beyond_pushes) with
//     the wrong sign, for the hold. A demand peak alone does not do that.
//   - mirrored: between its limits it holds minus its setpoint within the
//     tolerance, for mirrored_hold: the controller sees the right sign and only
//     the reading here has lost it.
//
// How pressure and speed go together while the fan controls is no evidence: in
// a closed loop either sign can come out. A sensor at the end of its range shows
// nothing.
//
// It is over when the reading moves the right way, or the fan has controlled at
// its setpoint for ten minutes, or (limit) has read with the right sign while it
// ran for two.
type inverted struct {
	beyond   float64
	limit    wait
	mirrored wait

	why    signReason
	wrong  int     // wrong moves in a row
	firm   bool    // one of them was a stop or a forced step
	proof  move    // the move it was found by
	ran    bool    // the proof is a start, a run or a turn, and has yet to stand
	far    float64 // beyond which it stands
	flip   flip
	turned turnedSign
	end    toEnd
	lock   lockstep
	top    stand
	mirror stand
	right  stand // controls at its setpoint, or draws at its lowest
	drew   stand // at this stay at the top it read with the right sign
	drewAt int64 // when last
	signed stand // reads with the right sign while it runs
}

// signReason says what shows that a sign is wrong.
type signReason uint8

const (
	rightSign signReason = iota
	wrongMove
	wrongAtTop
	mirroredSetpoint
	turnedAtRest
)

// (Engineering choices.)
const (
	severalSetpoints = 3
	farFromZero      = 1.5              // tolerances, a setpoint nearer to zero has no mirror image
	slowly           = 10 * time.Minute // from the right sign to a far wrong one: that was no turn
	ranStands        = 15 * time.Minute // by when a start, a run or a turn must have stood at the top
	signGrace        = 30 * time.Second
	signExit         = 2 * time.Minute
	rightHold        = 10 * time.Minute
)

func (c *inverted) configure(_ *fan, s condition.Setting) {
	c.beyond = s.Own[condition.BeyondPushes]
	c.limit = wait{hold: s.Hold, grace: signGrace, exit: signExit}
	c.mirrored = wait{hold: s.OwnDuration(condition.MirroredHold), grace: time.Minute, exit: signExit}
}

func (c *inverted) judge(f *fan, s *sample) condition.State {
	if f.cfg.ControlsAirflow {
		return condition.CannotJudge
	}
	if !s.judgeable() {
		return condition.CannotJudge
	}
	if s.moved {
		c.weigh(s.move, s)
	}
	if m, found := c.lock.watch(f, s, c.beyond, c.limit); found && c.why == rightSign {
		c.find(wrongMove)
		c.proof = m
	}
	c.turn(f, s)
	c.stand(f, s)
	if c.why == rightSign {
		return condition.Absent
	}
	if c.over() {
		c.forget()
		return condition.Absent
	}
	return condition.Present
}

// weigh takes one move as evidence for or against.
func (c *inverted) weigh(m move, s *sample) {
	need := max(2*s.tolerance, math.Abs(s.target)/2)
	switch wrong := m.wrongWay(); {
	case m.kind.climbs() && !m.reachable(c.beyond):
		// a sensor that goes its own way
	case m.clipped:
		if m.kind.climbs() && m.within > c.beyond && m.within-m.from > c.beyond && m.to > m.within && c.why == rightSign {
			c.ran, c.far, c.proof = true, c.beyond, m // it was far wrong before it came to the end of the range
		}
	case wrong > c.beyond && m.faster() > c.beyond && m.kind.climbs():
		if c.why == rightSign {
			c.ran, c.far, c.proof = true, c.beyond, m
		}
	case wrong > c.beyond && m.faster() > c.beyond:
		c.find(wrongMove)
		c.proof = m
	case wrong >= need && !m.demanded():
		c.wrong++
		c.firm = c.firm || m.kind != start
		if c.wrong > 1 && c.firm {
			c.find(wrongMove)
			c.proof = m
		}
	case wrong <= -need && !m.demanded():
		c.forget()
	}
}

// turn looks for the moment at which the reading turns to its other sign.
func (c *inverted) turn(f *fan, s *sample) {
	if c.why != rightSign {
		return
	}
	if f.mode.resting {
		m, found := c.turned.watch(f, s, &c.flip, c.mirrored.hold)
		if found {
			c.find(turnedAtRest)
			c.proof = m
		}
		return
	}
	c.turned = turnedSign{}
	if m, found := c.end.watch(f, s, c.beyond); found {
		c.ran, c.far, c.proof = true, c.beyond, m
		c.top.forget()
	}
	if m, found := c.flip.watch(f, s); found && m.reachable(c.beyond) {
		c.ran, c.far, c.proof = true, (m.to-m.from)/2, m
		c.top.forget()
	}
	if c.flip.at == s.now {
		c.drew.forget()
	}
}

// find notes what was found first.
func (c *inverted) find(why signReason) {
	if c.why == rightSign {
		c.why = why
		c.right.forget()
		c.signed.forget()
	}
}

// stand feeds the evidence that has to stand.
func (c *inverted) stand(f *fan, s *sample) {
	if f.mode.resting {
		c.top.pause()
		c.mirror.pause()
		c.right.pause()
		c.signed.pause()
		return
	}
	clipped := f.clipped(s.value)
	atTop := s.speed >= f.cfg.MaxSpeed-atLimit-rounding
	c.ran = c.ran && s.speed >= c.proof.fast-dropping && time.Duration(s.now-c.proof.at) <= ranStands &&
		(!clipped || c.proof.clipped) // what rises on at the top is not the fan's
	crept := c.crept(f, s)
	if !clipped || !atTop || c.ran {
		wrong := (atTop || c.proof.clipped && c.ran) && s.target < 0 && s.level >= c.farWrong(s) && (c.ran || !crept)
		if c.top.feed(s.now, s.gap, wrong, c.limit) {
			c.find(c.shown())
		}
	}
	if s.mode == condition.Controlling && math.Abs(s.target) >= farFromZero*s.tolerance {
		if c.mirror.feed(s.now, s.gap, math.Abs(s.level+s.target) <= s.tolerance, c.mirrored) {
			c.find(mirroredSetpoint)
		}
	} else {
		c.mirror.pause()
	}
	held := s.mode == condition.Controlling && math.Abs(s.short()) <= s.tolerance ||
		(s.mode == condition.AtMin || s.mode == condition.RunOn) && s.level <= -s.tolerance
	c.right.feed(s.now, s.gap, held, wait{hold: rightHold, grace: signGrace})
	c.signed.feed(s.now, s.gap, s.level <= -s.tolerance && !clipped, wait{hold: signExit})
}

// crept reports whether the reading came to where it is slowly, from the right
// sign, while the fan was at its top all the time. Tubes are not swapped slowly:
// a sensor that drifts does that.
func (c *inverted) crept(f *fan, s *sample) bool {
	switch drawing := s.level <= -s.tolerance; {
	case s.speed < f.cfg.MaxSpeed-offLimit:
		c.drew.forget()
	case c.drew.feed(s.now, s.gap, c.drew.full || drawing, wait{hold: signExit, grace: signGrace}) && drawing:
		c.drewAt = s.now
	}
	return c.drew.full && time.Duration(s.now-c.drewAt) > slowly && !c.top.held
}

// farWrong is the reading at the top that demand does not explain: beyond what
// branch fans can push, and where no wrong move came before also several times
// the setpoint.
func (c *inverted) farWrong(s *sample) float64 {
	if c.ran {
		return c.far
	}
	return max(severalSetpoints*math.Abs(s.target), c.beyond)
}

// shown is what a far wrong reading at the top shows.
func (c *inverted) shown() signReason {
	if c.ran {
		return wrongMove
	}
	return wrongAtTop
}

// doubts reports whether the reading has just gone the wrong way, and it is
// not yet known whether it stays there.
func (c *inverted) doubts(f *fan, s *sample) bool {
	return c.why == rightSign && (c.flip.stage != noFlip || c.ran || c.turned.open)
}

// over reports whether what was found has been disproved.
func (c *inverted) over() bool {
	return c.right.full || c.why == wrongAtTop && c.signed.full
}

// clipped reports whether a value lies at an end of what the sensor can read,
// within half a percent of its span.
func (f *fan) clipped(value float64) bool {
	if !f.cfg.HasProbeRange {
		return false
	}
	edge := 0.005 * (f.cfg.ProbeHigh - f.cfg.ProbeLow)
	return value <= f.cfg.ProbeLow+edge || value >= f.cfg.ProbeHigh-edge
}

func (c *inverted) since() int64 {
	switch c.why {
	case wrongAtTop:
		return c.top.since
	case mirroredSetpoint:
		return c.mirror.since
	}
	return c.proof.at
}

// stood is for how long what was found has shown.
func (c *inverted) stood(s *sample) time.Duration {
	switch c.why {
	case wrongAtTop:
		return c.top.stood
	case mirroredSetpoint:
		return c.mirror.stood
	}
	return time.Duration(s.now - c.proof.at)
}

func (c *inverted) severity(s condition.Setting) condition.Severity { return s.Severity }

// rest drops what has not been found yet.
func (c *inverted) rest() {
	c.top.rest()
	c.mirror.rest()
	c.ran, c.flip, c.turned, c.end, c.lock = false, flip{}, turnedSign{}, toEnd{}, lockstep{}
	c.right.forget()
	c.signed.forget()
}

func (c *inverted) forget() {
	*c = inverted{beyond: c.beyond, limit: c.limit, mirrored: c.mirrored}
}
