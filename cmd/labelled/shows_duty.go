package main

import (
	"math"
	"time"

	"fanwarden/poller/reading"
)

// noEffectEye: commanded 20 points above its minimum for ten minutes and for 20
// more, within which it ought to be raised.
type noEffectEye struct {
	eye
	stood episode
}

const wellAbove = 0.2

func (p *noEffectEye) see(r *reading.Reading) {
	speed, ok := r.Get(reading.Speed)
	p.stood.see(r.Time, ok && !r.Off(reading.Enable) && speed >= p.cfg.MinSpeed+wellAbove)
}

func (p *noEffectEye) shown() (time.Time, time.Duration) { return p.stood.at, 30 * minute }

// offEye: between its limits and away from setpoint by more than the tolerance
// for 45 minutes. It ought to be raised within an hour of that.
type offEye struct {
	eye
	stood episode
}

func (p *offEye) see(r *reading.Reading) {
	ok := p.eye.see(r) && !p.eye.top() && p.eye.speed > p.lowest(r)+0.02
	p.stood.see(r.Time, ok && math.Abs(p.short()) > p.tolerance)
}

func (p *offEye) shown() (time.Time, time.Duration) { return p.stood.at, 105 * minute }

// lowest is the lowest speed as the controller tells it, or the fleet file.
func (e *eye) lowest(r *reading.Reading) float64 {
	if told, ok := r.Get(reading.MinSpeed); ok {
		return told
	}
	return e.cfg.MinSpeed
}

// atMinEye: at its lowest speed, past setpoint by more than the tolerance, and
// it does not go idle, for its hold and five minutes, which are the limit too.
type atMinEye struct {
	eye
	stood episode
}

func (p *atMinEye) see(r *reading.Reading) { p.stood.see(r.Time, p.is(r)) }

func (p *atMinEye) is(r *reading.Reading) bool {
	ok := p.eye.see(r) && !p.rest() && p.eye.speed <= p.lowest(r)+0.02 && !p.cfg.GoesIdle
	return ok && -p.short() > p.tolerance
}

func (p *atMinEye) shown() (time.Time, time.Duration) { return p.stood.at, p.stood.need }
