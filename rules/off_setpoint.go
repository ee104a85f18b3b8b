package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// offSetpoint judges off_setpoint: the fan runs between its limits and stays
// away from its setpoint by more than the tolerance, on one side, for the hold.
// It has speed left to use, and does not use it.
//
// What is judged is the reading's level over some minutes, so that gusts and
// swings around the setpoint do not count. While the fan is at a limit, and
// while it moves its speed the way that brings the reading back, nothing is
// counted for or against it: a loop that follows changing demand is late, not
// off. A return shorter than five minutes does not start the hold anew. It is
// over once the level has been within the tolerance for ten.
type offSetpoint struct {
	wait  wait
	stand stand
	level filter
	speed filter // lately
	slow  filter // a while ago
	seen  bool
	last  int64
	side  float64
	off   float64 // the last level away from the setpoint that spoke for it
}

// (Engineering choices.)
const (
	offSmoothing = 4 * time.Minute
	offGrace     = 5 * time.Minute
	offExit      = 10 * time.Minute
	speedLately  = time.Minute
	speedBefore  = 5 * time.Minute
	speedReturns = 0.01 // how far the one must be from the other
)

func (o *offSetpoint) configure(_ *fan, s condition.Setting) {
	o.wait = wait{hold: s.Hold, grace: offGrace, exit: offExit}
}

func (o *offSetpoint) judge(f *fan, s *sample) condition.State {
	if !s.judgeable() {
		return condition.CannotJudge
	}
	step := time.Duration(s.now - o.last)
	if !o.seen || step <= 0 || step > s.gap {
		o.level, o.speed, o.slow, step = filter{}, filter{}, filter{}, 0
	}
	o.seen, o.last = true, s.now
	o.speed.feed(s.speed, step, speedLately)
	o.slow.feed(s.speed, step, speedBefore)
	if s.mode != condition.Controlling {
		o.level = filter{}
		o.stand.pause()
		return o.word()
	}
	short := o.level.feed(s.demand, step, offSmoothing) - s.target
	off := math.Abs(short) > s.tolerance && math.Abs(s.short()) > s.tolerance/2
	side := math.Copysign(1, short)
	if off && side != o.side {
		o.stand.rest() // what was found stands on either side
	}
	if off && side*(o.speed.value-o.slow.value) > speedReturns {
		o.stand.pause()
		return o.word()
	}
	if off {
		o.side, o.off = side, short
	}
	o.stand.feed(s.now, s.gap, off, o.wait)
	return o.word()
}

func (o *offSetpoint) word() condition.State {
	if o.stand.full {
		return condition.Present
	}
	return condition.Absent
}

func (o *offSetpoint) since() int64 { return o.stand.since }

func (o *offSetpoint) severity(s condition.Setting) condition.Severity { return s.Severity }

func (o *offSetpoint) rest() {
	o.stand.rest()
	o.seen = false
}

func (o *offSetpoint) forget() { *o = offSetpoint{wait: o.wait} }
