package rules

import (
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Figures by which a value that stands still is told from one that is quiet.
// (Engineering choices.)
const (
	quietTime  = 10 * time.Minute // a block of readings, or longer
	quietReads = 40               // at the least in it
	learnedBy  = 3                // blocks before anything is called unusual
	memory     = 50               // blocks after which a quiet one is half forgotten
	leaping    = 1.5              // counts: a change by more is no flicker between two counts
	incredible = 30               // changes that did not happen: such a run teaches nothing
	firstSteps = 20               // of which the least is taken for the count
	countTrack = 0.05             // share by which the count is moved with each change
	// A value stands alone that misses so many changes, or stood while the speed
	// moved so far, when the whole reading begins to repeat itself.
	aloneMissed = 3
	aloneSpeed  = 0.02
)

// variation is how lively a value is, learned from readings in which it was
// well. Only leaps back count, against the way of the change before: noise does
// that all the time, a ramp does not. Its share is that of the quietest block of ten minutes: a value that
// ever rested for so long, because demand was calm or its counts are coarse,
// may do so again. A longer run of equal values is part of one block.
type variation struct {
	floor  float32 // share of readings at which it leaps back, in the quietest block
	mean   float32 // share of readings at which it changes at all
	blocks uint8

	n, changes, leaps int32 // of the present block
	span              time.Duration

	run    int32 // readings that repeated the value since it last changed
	ran    time.Duration
	missed float32 // changes to be expected in them
}

// learned reports whether enough was seen to call anything unusual.
func (v *variation) learned() bool { return v.blocks >= learnedBy }

// share is the share of readings at which the value leaps at least.
func (v *variation) share() float64 {
	if !v.learned() {
		return 0
	}
	return float64(v.floor)
}

// usual is the share of readings at which the value changes on the whole.
func (v *variation) usual() float64 {
	if !v.learned() {
		return 0
	}
	return float64(v.mean)
}

// repeat takes a reading that is equal to the one a step before it.
func (v *variation) repeat(step time.Duration) {
	v.run++
	v.ran += step
	v.missed += float32(v.share())
}

// end ends a run of equal values and learns from it, unless it was incredible.
func (v *variation) end() {
	if v.missed < incredible {
		v.n += v.run
		v.span += v.ran
	}
	v.run, v.ran, v.missed = 0, 0, 0
}

// change takes a reading that differs from the one a step before it.
func (v *variation) change(step time.Duration, leaps bool) {
	v.n++
	v.changes++
	if leaps {
		v.leaps++
	}
	v.span += step
	if v.span < quietTime || v.n < quietReads {
		return
	}
	leapt, changed := float32(v.leaps)/float32(v.n), float32(v.changes)/float32(v.n)
	if v.blocks < math.MaxUint8 {
		v.blocks++
	}
	if v.blocks == 1 || leapt < v.floor {
		v.floor = leapt
	} else {
		v.floor += (leapt - v.floor) / memory
	}
	v.mean += (changed - v.mean) / float32(min(int(v.blocks), memory))
	v.n, v.changes, v.leaps, v.span = 0, 0, 0, 0
}

// still follows how a fan's readings repeat themselves: its controlled value,
// apart for a fan that runs and one that rests, its speed while it controls, and
// all of a reading together.
//
// Values are compared exactly, so the resolution of the register is respected
// whatever it is: IOOS QARTOD calls a line flat within an eps that must not be
// finer than the resolution. Flickering between two neighbouring counts is not
// taken for noise, for it ends by itself when the value moves to the middle of a
// count.
type still struct {
	known  bool
	value  float64
	speed  float64
	whole  uint64  // all that was read, mixed
	count  float64 // the least step of the value, nearly
	steps  uint8   // of the first ones
	rose   bool    // it did at its last change
	rest   variation
	run    variation
	drive  variation // of the speed
	turns  turning   // of the speed
	slow   float64   // the least speed while the value stood
	fast   float64   // and the most
	before float32   // changes of the value that were missing when the whole reading began to repeat itself
}

// stillness is what a sample says of standing still.
type stillness struct {
	known  bool     // there is a sample before to compare with
	same   bool     // the controlled value is what it was
	all    bool     // the whole reading is
	leaps  float64  // chance at which the value was to leap, at the least
	change float64  // chance at which the value was to change
	drives float64  // chance at which the speed was to change
	turn   steering // of the speed
}

// watchStill compares a sample with the one before. A fan that is not permitted
// to run teaches nothing.
func (f *fan) watchStill(s *sample) {
	if s.failed || !s.hasValue || !s.hasSpeed || s.mode == condition.Unknown {
		return
	}
	w := &f.still
	whole := mix(s.r)
	if w.known {
		s.still = w.compare(f, s, whole)
	}
	s.still.turn = w.turns.feed(s)
	if !s.still.same {
		w.slow, w.fast = s.speed, s.speed
	}
	w.slow, w.fast = min(w.slow, s.speed), max(w.fast, s.speed)
	w.known, w.value, w.speed, w.whole = true, s.value, s.speed, whole
}

// compare says what is the same and learns from it.
func (w *still) compare(f *fan, s *sample, whole uint64) stillness {
	v := &w.run
	if w.rests(f, s) {
		v = &w.rest
	}
	now := stillness{known: true, same: s.value == w.value, all: whole == w.whole, leaps: w.share(f, s), change: v.usual()}
	learns := s.step > 0 && s.mode != condition.Disabled && f.endOf(s) == noEnd
	if !now.all {
		w.before = w.run.missed + w.rest.missed
	}
	if learns && s.mode == condition.Controlling {
		now.drives = w.drive.share()
		if s.speed == w.speed {
			w.drive.repeat(s.step)
		} else {
			w.drive.end()
			w.drive.change(s.step, true)
		}
	}
	switch {
	case now.same && learns:
		v.repeat(s.step)
	case !now.same:
		w.run.end()
		w.rest.end()
		if learns {
			step := math.Abs(s.value - w.value)
			w.follow(step)
			v.change(s.step, step >= leaping*w.count && w.rose != (s.value > w.value))
		}
		w.rose = s.value > w.value
	}
	return now
}

// alone reports whether the value stood already while the speed still moved:
// then the value stands, whatever else does.
func (w *still) alone() bool { return w.before > aloneMissed || w.fast-w.slow > aloneSpeed }

// rests reports whether the fan stands and may read what it reads at rest. On
// discharge that is about nothing: one that stands and still reads its setpoint is
// driven by a partner, and as lively as while it runs, or frozen.
func (w *still) rests(f *fan, s *sample) bool {
	return f.mode.resting && !(f.sense < 0 && s.hasSetpoint && s.demand <= s.target)
}

// share is the chance at which the value leaps from one reading to the next. A
// reading of about nothing is that of a fan that moves no air, whatever its
// speed: it may be as quiet as at rest, which is not known of a fan that never
// rested, but for a sensor that shows no less than nothing. At an end of its
// range a value is still.
func (w *still) share(f *fan, s *sample) float64 {
	switch {
	case f.endOf(s) != noEnd:
		return 0
	case w.rests(f, s):
		return w.rest.share()
	case math.Abs(s.value) <= max(s.tolerance, 2*w.count) && (s.value == 0 || w.rest.learned()):
		return min(w.run.share(), w.rest.share())
	}
	return w.run.share()
}

// follow keeps the count near the tenth percentile of the steps, by stochastic
// approximation (Robbins and Monro 1951, Annals of Mathematical Statistics
// 22:400-407): most steps of a coarse value are of one count, and a single
// odd one must not make it look fine. Of the first ones the least is taken.
func (w *still) follow(step float64) {
	switch {
	case w.steps == 0:
		w.count, w.steps = step, 1
	case w.steps < firstSteps:
		w.count = min(w.count, step)
		w.steps++
	case step < w.count:
		w.count *= 1 - 0.9*countTrack
	default:
		w.count *= 1 + 0.1*countTrack
	}
}

// mix puts all that a fan does, as far as it was read, into one number (FNV-1a
// over whole values, with a shift so that high bits count): two readings that
// differ have the same one with a chance of 2^-64.
func mix(r *reading.Reading) uint64 {
	h := uint64(14695981039346656037)
	for p := reading.Pressure; p <= reading.RunHours; p++ {
		if v, good := r.Get(p); good {
			h = (h ^ math.Float64bits(v) ^ uint64(p)) * 1099511628211
			h ^= h >> 29
		}
	}
	return h
}
