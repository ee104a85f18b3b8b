package rules

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// Figures of a reading that turns to the other sign. (Engineering choices.)
const (
	flipCalm    = time.Minute     // filter over the reading before
	flipNoise   = 5 * time.Minute // filter over its noise
	flipAlike   = 0.3             // of the reading: how exact the mirror image must be
	flipExact   = 0.1             // the same at rest, where gusts are averaged
	flipSpeed   = 0.08            // speed, the most that may change meanwhile
	flipRamp    = 10 * time.Minute
	flipSettles = 10 * time.Second // at the top, after which the reading has followed
	flipLooks   = 30 * time.Second // how long it is looked at then, twice
	flipRange   = 0.3              // of squared speed: less of it shows no climb
	flipLead    = 0.7              // how steep the second half of the climb must be, against the first
	flipMade    = 0.6              // how far it must climb, against what the fan made at least
	flipStood   = 0.85             // how much of where it stands must be there when the top is reached
)

// flip watches for the moment at which tubes are swapped, or a sign is lost:
// the reading turns to its mirror image within two polls at an unchanged speed,
// of a fan that was not on its way up: that one follows demand already.
// A step of demand may do that too. What parts them is what follows when the
// controller drives the fan to its top: a swapped reading climbs with the square
// of the speed (fan laws) from where it has turned to, and stands where the top
// has brought it. Demand comes before the speed that follows it: the reading is
// high while the fan is still slow, rises less and less or falls as the fan gets
// faster, or goes on rising at the top.
type flip struct {
	slow   filter  // the reading before, from demand
	noise  filter  // its mean distance from that
	pace   filter  // the speed before
	fed    [2]seen // the last two samples, the newest first
	stage  flipStage
	at     int64
	from   float64 // reading before, below zero
	speed  float64 // at which it turned
	fast   float64 // the highest since
	square float64 // of the speed, where the climb began
	began  float64 // reading there
	mid    float64 // reading on the way up
	midAt  float64 // squared speed there, 0: none was taken
	topAt  int64
	first  mean // reading at the top, when it has followed
	second mean // and after that
	ended  bool // the sensor came to the end of its range
}

// seen is what a flip remembers of a sample.
type seen struct {
	good  bool
	value float64
	slow  float64
	speed float64
}

// mean is a running mean.
type mean struct {
	n   int
	sum float64
}

func (m *mean) add(v float64) { m.n, m.sum = m.n+1, m.sum+v }

func (m *mean) value() float64 { return m.sum / float64(max(m.n, 1)) }

type flipStage uint8

const (
	noFlip  flipStage = iota
	turned            // to its mirror image, as the fan runs
	climbed           // to the top
)

// watch takes one sample of a running fan and returns true when a flip has
// shown to be one.
func (w *flip) watch(f *fan, s *sample) (move, bool) {
	if s.step == 0 || !s.mode.Own() || f.partnerTurned(s.now, window) {
		*w = flip{}
	}
	if !s.mode.Own() {
		return move{}, false
	}
	if w.stage == noFlip {
		if w.turns(s) {
			w.begin(s)
		}
		w.remember(s)
		return move{}, false
	}
	return w.follow(f, s)
}

// turns reports whether the reading has just turned to its mirror image.
func (w *flip) turns(s *sample) bool {
	for i, before := range w.fed {
		if before.good && math.Abs(s.speed-before.speed) <= flipSpeed/float64(i+1) && math.Abs(before.speed-w.pace.value) <= flipSpeed &&
			w.mirrors(before, s) {
			return true
		}
	}
	return false
}

// mirrors reports whether a sample is the mirror image of one before.
func (w *flip) mirrors(before seen, s *sample) bool {
	size := -before.slow
	noise := 3 * w.noise.value
	if size < max(s.tolerance, 2*noise) || before.value > -size/2 {
		return false
	}
	off := s.demand - size
	grown := 1.0
	if before.speed > 0 {
		ratio := s.speed / before.speed
		grown = max(grown, ratio*ratio)
	}
	return off >= -max(flipAlike*size, noise) && off <= max((1+flipAlike)*size*grown-size, noise)
}

func (w *flip) begin(s *sample) {
	before := w.fed[0]
	if w.fed[1].good && before.value > w.fed[1].slow/2 {
		before = w.fed[1] // the one between was half way
	}
	w.at = s.now
	if 1-before.speed*before.speed < flipRange {
		return
	}
	w.stage, w.from, w.speed, w.fast, w.square = turned, before.slow, before.speed, s.speed, s.speed*s.speed
	w.mid, w.midAt = max(s.demand, -w.from), 0 // until there is one half way up: where it began
}

func (w *flip) remember(s *sample) {
	step := s.step
	w.slow.feed(s.demand, step, flipCalm)
	w.pace.feed(s.speed, step, flipCalm)
	w.noise.feed(math.Abs(s.demand-w.slow.value), step, flipNoise)
	w.fed[1] = w.fed[0]
	w.fed[0] = seen{good: true, value: s.demand, slow: w.slow.value, speed: s.speed}
}

// follow takes a sample after the turn.
func (w *flip) follow(f *fan, s *sample) (move, bool) {
	w.fast = max(w.fast, s.speed)
	top := s.speed >= f.cfg.MaxSpeed-atLimit-rounding || f.clipped(s.value) && s.demand > 0
	since := time.Duration(s.now - w.topAt)
	switch {
	case s.speed < w.fast-offLimit || s.level < 0 && time.Duration(s.now-w.at) > dead || w.stage == turned && time.Duration(s.now-w.at) > flipRamp:
		*w = flip{}
	case w.stage == turned && top:
		w.stage, w.topAt, w.ended = climbed, s.now, f.clipped(s.value)
	case w.stage == turned && w.midAt == 0 && s.speed*s.speed-w.square >= (f.cfg.MaxSpeed*f.cfg.MaxSpeed-w.square)/3:
		w.began, w.mid, w.midAt = w.mid, s.demand, s.speed*s.speed
	case w.stage == turned:
	case since < flipSettles:
	case since < flipSettles+flipLooks || w.first.n == 0:
		w.first.add(s.demand)
	default:
		w.second.add(s.demand)
		if since >= flipSettles+2*flipLooks {
			m, found := w.proof(s), w.shows(s)
			*w = flip{}
			return m, found
		}
	}
	return move{}, false
}

// shows reports whether the reading followed the speed, and not the speed
// the reading. Exhausts push and do not pull: before the turn the fan alone
// made at least what was read then, but for slight draught, and at its top it
// must make the more by the square of the speed.
func (w *flip) shows(s *sample) bool {
	high, gain := w.second.value()+w.from, w.fast*w.fast-w.speed*w.speed
	made := max(-w.from-slightDraught, 0) / (w.speed * w.speed)
	if gain < flipRange || high < max(s.tolerance, flipMade*made*gain) && !w.ended {
		return false
	}
	return w.follows() && w.first.value() >= flipStood*w.second.value()
}

// follows reports whether the reading climbed no less steeply with the squared
// speed at the end of the ramp than at its beginning. Of a ramp that polling
// does not resolve, and of one that drove the sensor to its end, this is not
// known.
func (w *flip) follows() bool {
	end := w.fast * w.fast
	if w.midAt == 0 || w.ended || end-w.midAt < 0.05 {
		return true
	}
	first, last := (w.mid-w.began)/(w.midAt-w.square), (w.first.value()-w.mid)/(end-w.midAt)
	return last > 0 && last >= flipLead*first
}

// proof is what the flip showed, as a move.
func (w *flip) proof(s *sample) move {
	return move{kind: turn, at: w.at, slow: w.speed, fast: s.speed, from: w.from, to: w.second.value(), clipped: w.ended}
}

// turnedSign is a sign that was lost while the fan was idle: the reading turned
// to its mirror image, past the restart point, and the fan did not start. A
// controller that saw this reading would have started it.
type turnedSign struct {
	open  bool
	at    int64
	from  float64
	to    float64
	stand stand
}

// watch takes one sample of a fan at rest, and returns true once the mirror
// image has stood past the restart point for the hold.
func (w *turnedSign) watch(f *fan, s *sample, c *flip, hold time.Duration) (move, bool) {
	if s.mode != condition.Idle || s.step == 0 || f.cfg.Probe != config.Suction {
		*w, *c = turnedSign{}, flip{}
		return move{}, false
	}
	if !w.open && c.turns(s) {
		*w = turnedSign{open: true, at: s.now, from: c.fed[0].slow}
		if c.fed[1].good && c.fed[0].value > c.fed[1].slow/2 {
			w.from = c.fed[1].slow
		}
	}
	c.remember(s)
	if !w.open {
		return move{}, false
	}
	rise, known := restartRise(f, s)
	alike := math.Abs(s.level+w.from) <= max(flipExact*-w.from, 2, f.counts)
	full := w.stand.feed(s.now, s.gap, known && alike && s.short() >= rise, wait{hold: hold, grace: time.Minute, exit: signExit})
	if w.to = s.level; !w.stand.open && time.Duration(s.now-w.at) > window {
		*w, *c = turnedSign{}, flip{} // it was a step
	}
	return move{kind: turn, at: w.at, from: w.from, to: w.to}, full
}
