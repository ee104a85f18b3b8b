package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// response is what is known of how strongly a fan moves its own reading: its
// gain, in the unit of the controlled value at full speed.
//
// Fan laws (ASHRAE Handbook, HVAC Systems and Equipment, "Fans"; AMCA 201): in
// one system the pressure goes with the square of the speed and the flow with
// the speed, so that a reading seen from demand is
//
//	demand - gain * load(speed),   load(speed) = speed^2 (pressure), speed (flow)
//
// The gain is learned where the speed moves and demand has no part in it: from
// stops and forced steps; starts and runs to a limit follow demand, which rises
// as the fan speeds up, so they show too little and count less. It is never
// learned from how pressure and speed go together while the loop is closed:
// there the regression tends to the controller's negative inverse (Soderstrom
// and Stoica, System Identification; Ljung, System Identification).
//
// What the loop does give is a bound: a fan that holds its setpoint at a speed
// makes at least that there, as exhausts push and do not pull. Draught may help
// it, so the bound is a guess where nothing was measured.
//
// Other rules may ask [response.gain], [response.measured] and
// [response.expect].
type response struct {
	learned filter  // gain, by all moves
	spread  float64 // mean distance of a move from it
	firm    uint8   // stops and forced steps that it was learned from
	other   uint8   // starts and runs
	weak    uint8   // moves in a row that showed far less than learned

	last    float64 // gain that the last stop or forced step showed
	lastAt  int64
	hasLast bool

	ratio filter  // of reading and load while the setpoint is held
	held  float64 // the most of it: the least gain that explains it
	at    float64 // the speed at which it was held

	pull    pull
	lapse   lapse
	overrun time.Duration // the longest lapse after which it pulled again by itself
}

// Figures of the response. (Engineering choices.)
const (
	newFirm    = 0.5  // weight of a stop or a forced step
	newOther   = 0.15 // weight of a start or a run
	farLess    = 0.5  // of the gain: below this a move is not learned at once
	believe    = 6    // such moves in a row are the new gain
	heldFor    = 10 * time.Minute
	heldForget = 14 * 24 * time.Hour
	heldLowest = 0.35 // speed, below which draught may well hold the setpoint
	noGain     = 0.15 // of the gain: a response below this is none
	fallMargin = 0.3  // of what it made: how far off the fall of a reading may be
)

// load is what the fan's effect on its reading is proportional to.
func (f *fan) load(speed float64) float64 {
	if f.cfg.ControlsAirflow {
		return speed
	}
	return speed * speed
}

// measured reports whether the gain was seen at a move, and not only bounded.
func (r *response) measured() bool { return r.firm > 0 }

// gain is the best guess of the gain; 0 where nothing is known.
func (r *response) gain() float64 {
	if r.measured() {
		return r.learned.value
	}
	return max(r.learned.value, r.held)
}

// expect is how far the fan ought to move its reading, away from demand, at a
// speed.
func (f *fan) expect(speed float64) float64 { return f.response.gain() * f.load(speed) }

// reference is the gain that a response is compared with. A fan of which
// nothing is known was at least chosen for its setpoint.
func (r *response) reference(s *sample) float64 {
	if g := r.gain(); g > 0 {
		return g
	}
	return math.Abs(s.target)
}

// watchResponse follows what a sample says of the fan's effect.
func (f *fan) watchResponse(s *sample) {
	if !s.judgeable() || f.unsure() {
		return
	}
	r := &f.response
	if s.moved {
		r.learn(f, s.move)
	}
	if s.step == 0 {
		r.pull = pull{}
		if !r.lapse.over || s.level <= clearly*s.target { // what was seen whole stays
			r.lapse = lapse{}
		}
	}
	r.bound(f, s)
	if f.mode.resting || s.target >= 0 {
		r.lapse = lapse{}
	} else {
		r.lapse.feed(f, s)
		r.pull.feed(f, s)
	}
}

// learn takes the gain that a move shows.
func (r *response) learn(f *fan, m move) {
	gain := m.gain(f)
	if m.clipped || m.kind == release || gain <= 0 {
		return
	}
	firm, weight := m.firm(), newOther
	if firm {
		r.last, r.lastAt, r.hasLast, weight = gain, m.at, true, newFirm
	} else if r.firm > 0 && r.other < math.MaxUint8 {
		r.other++
		return // what is measured without demand is not spoilt by it
	}
	switch {
	case !r.learned.begun || firm && r.firm == 0:
		r.learned = filter{begun: true, value: gain}
	case gain < farLess*r.learned.value && r.weak < believe:
		r.weak++
		return
	default:
		r.spread += weight * (math.Abs(gain-r.learned.value) - r.spread)
		r.learned.value += weight * (gain - r.learned.value)
	}
	r.weak = 0
	if firm {
		r.firm = min(r.firm, math.MaxUint8-1) + 1
	} else {
		r.other = min(r.other, math.MaxUint8-1) + 1
	}
}

// gain is the gain that a move shows.
func (m move) gain(f *fan) float64 {
	return -m.wrongWay() / math.Abs(f.load(m.fast)-f.load(m.slow))
}

// firm reports whether demand had no part in the move.
func (m move) firm() bool { return m.kind == stop || m.kind == forced }

// bound takes a sample of a fan that holds its setpoint.
func (r *response) bound(f *fan, s *sample) {
	r.held *= 1 - min(1, float64(s.step)/float64(heldForget))
	if s.mode != condition.Controlling || s.settled < settling || s.speed < heldLowest || math.Abs(s.short()) > s.tolerance {
		return
	}
	ratio := r.ratio.feed(-s.level/f.load(s.speed), s.step, heldFor)
	if ratio > r.held {
		r.held, r.at = ratio, s.speed
	}
}
