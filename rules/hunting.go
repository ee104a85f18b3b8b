package rules

import (
	"math"
	"math/bits"
	"time"

	"fanwarden/rules/condition"
)

// hunting judges hunting: the fan swings regularly around its setpoint without
// settling, at least six cycles in a row, in its speed or in the controlled
// value, and the swings have gone on for the hold.
//
// A swing counts when a person would mind it: two fifths of the tolerance or
// more to either side of the setpoint, or two points of speed or more to either
// side of its slow mean. Half-cycles are counted as load disturbances, and twelve in a
// row are regular when their autocorrelation says so (swings.go). Gusts and
// noise are not regular; a slow loop that overshoots three or four times after
// each step fades; demand that comes and goes does so over more than ten
// minutes. A loop that swings from limit to limit hunts as well; swings as wide as
// that, ten cycles of them in a row, need not be regular.
//
// Only running without a stop counts: a stop, a forced speed and a gap end the
// count, because a fan that keeps stopping is short_cycling's. Of swings that
// take fewer than four polls it is said that polling cannot resolve them; what
// is told as their period may then be a shadow of a faster one.
//
// It is over when nothing that counts has come for five minutes of running, or
// for four periods where that is longer; swings that go on and are no longer
// regular are given half an hour to become so again.
type hunting struct {
	hold  time.Duration
	speed swings
	value swings
	beat  float64 // s, mean distance of readings
	beats int
	seen  bool
	blind bool  // the setpoint was not known at the last reading
	last  int64 // fed

	found   bool
	onset   int64
	of      bool // it is the controlled value that swings
	scale   int
	cycles  int
	period  time.Duration
	byValue float64       // from peak to peak
	bySpeed float64       // from peak to peak
	low     float64       // speed that it swings down to
	high    float64       // and up to
	rough   time.Duration // running without regular swings
	calm    time.Duration // running without any that count
}

// (Engineering choices.)
const (
	speedSwings   = 0.02              // either side
	valueSwings   = 0.4               // of the tolerance, either side
	goOn          = 0.6               // of either, once found
	longestPeriod = 570 * time.Second // machines that come and go do so over ten minutes or more
	quiteClear    = 0.6               // height of the half-waves of an autocorrelation
	finerSees     = 5                 // samples: shorter periods are seen better at the finer scale
	moreLooks     = 10 * time.Minute  // may pass until the last of several looks
	huntingExit   = 5 * time.Minute
	roughExit     = 30 * time.Minute
	exitPeriods   = 4
	resolved      = 4  // polls a period
	learning      = 16 // readings until their distance is known
)

func (h *hunting) configure(_ *fan, s condition.Setting) { h.hold = s.Hold }

func (h *hunting) judge(f *fan, s *sample) condition.State {
	if !s.hasSpeed {
		return condition.CannotJudge
	}
	step := time.Duration(s.now - h.last)
	if !h.seen || step <= 0 || step > s.gap {
		if h.seen { // swings that go on behind a gap are given six cycles more to show themselves
			h.rough = -6 * h.period
		}
		h.restart()
		h.seen, h.last = true, s.now
		return h.word()
	}
	h.last = s.now
	h.pace(step.Seconds())
	least := 1.0
	if h.found {
		least = goOn
	}
	h.speed.feed(s.speed, step.Seconds(), least*speedSwings, true)
	switch {
	case !s.hasSetpoint && h.blind: // begun already
	case !s.hasSetpoint:
		h.value.begin(h.value.pitch)
	case s.hasValue:
		h.value.feed(s.demand-s.target, max(s.step, 0).Seconds(), least*valueSwings*s.tolerance, false)
	}
	h.blind = !s.hasSetpoint
	h.weigh(s, step)
	return h.word()
}

// pace learns at what distance readings come, and begins the record with it.
func (h *hunting) pace(seconds float64) {
	h.beats = min(h.beats+1, 2*learning)
	h.beat += (seconds - h.beat) / float64(h.beats)
	pitch := h.speed.pitch
	beat := max(h.beat, shortest)
	if pitch == 0 || h.beats >= learning && (beat > 1.6*pitch || beat < 0.6*pitch) {
		h.speed.begin(h.beat)
		h.value.begin(h.beat)
	}
}

// weigh looks whether there are regular swings, and for how long.
func (h *hunting) weigh(s *sample, step time.Duration) {
	of, scale, ok := h.clearest()
	if !ok {
		h.fade(step)
		return
	}
	h.calm, h.rough = 0, 0
	w := h.swings(of)
	c, pitch := &w.scales[scale], w.pitchOf(scale)
	long := time.Duration(float64(c.age) * pitch * float64(time.Second))
	if h.found || long < h.hold || int(c.hits) < h.looks(pitch, c.height) {
		return
	}
	h.found, h.of, h.scale, h.cycles, h.onset = true, of, scale, int(c.count)/2, s.now-int64(long)
	h.period = time.Duration(float64(c.period) * pitch * float64(time.Second))
	h.measure(float64(c.period))
}

// looks is how many looks must find the same before it is believed, because
// gusts look regular now and then by chance: up to three where they come soon,
// and two where what was found is not quite clear.
func (h *hunting) looks(pitch float64, height float32) int {
	soon := 1 + min(int(min(moreLooks, h.hold).Seconds()/(lookEach*pitch)), 2)
	if height < quiteClear {
		return max(soon, 2)
	}
	return soon
}

// fade looks whether what was found is over.
func (h *hunting) fade(step time.Duration) {
	h.rough += step
	if h.calm += step; h.found && !h.swings(h.of).scales[h.scale].still() {
		h.calm = 0
	}
	least := exitPeriods * h.period
	if h.calm >= max(huntingExit, least) || h.rough >= max(roughExit, least) {
		h.found = false
	}
}

// swings returns those of the controlled value, or of the speed.
func (h *hunting) swings(ofValue bool) *swings {
	if ofValue {
		return &h.value
	}
	return &h.speed
}

// clearest returns the signal and the scale that swing regularly, the
// controlled value before the speed.
func (h *hunting) clearest() (of bool, scale int, ok bool) {
	for _, of := range [...]bool{true, false} {
		w := h.swings(of)
		for left := w.clear; left != 0; left &= left - 1 {
			i := bits.TrailingZeros8(left)
			period := float64(w.scales[i].period)
			if (i == 0 || period >= finerSees) && period*w.pitchOf(i) < longestPeriod.Seconds() {
				return of, i, true
			}
		}
	}
	return false, 0, false
}

// measure notes how far speed and value swing, in samples of the scale at which
// it was found.
func (h *hunting) measure(period float64) {
	speed := &h.speed.scales[h.scale]
	h.bySpeed = speed.span(period) * h.speed.grain
	h.byValue = h.value.scales[h.scale].span(period) * h.value.grain
	h.low, h.high = math.Inf(1), math.Inf(-1)
	for i := range min(int(speed.n), int(4*period)) {
		v := float64(speed.record[(int(speed.next)+swingSamples-1-i)%swingSamples]) * h.speed.grain
		h.low, h.high = min(h.low, v), max(h.high, v)
	}
}

func (h *hunting) word() condition.State {
	if h.found {
		return condition.Present
	}
	return condition.Absent
}

// restart begins the records anew; what was found stays.
func (h *hunting) restart() {
	if h.speed.pitch != 0 {
		h.speed.begin(h.speed.pitch)
		h.value.begin(h.speed.pitch)
	}
	h.seen = false
}

func (h *hunting) since() int64 { return h.onset }

func (h *hunting) severity(s condition.Setting) condition.Severity { return s.Severity }

// rest ends the count: only running counts.
func (h *hunting) rest() {
	if h.seen {
		h.restart()
	}
}

func (h *hunting) forget() { *h = hunting{hold: h.hold} }
