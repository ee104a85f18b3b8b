package rules

import (
	"math"
	"time"

	"fanwarden/rules/condition"
)

// pull remembers when the fan last pulled clearly, and what it read then.
type pull struct {
	seen  bool
	at    int64
	level filter // reading, from demand
	load  filter
}

// clearly is the part of the setpoint beyond which a reading shows that the
// fan pulls.
const clearly = 0.5

func (p *pull) feed(f *fan, s *sample) {
	if s.demand > clearly*s.target {
		return
	}
	if since := time.Duration(s.now - p.at); !p.seen || since > 2*time.Minute {
		p.level, p.load = filter{}, filter{}
	}
	p.seen, p.at = true, s.now
	p.level.feed(s.demand, s.step, smoothing)
	p.load.feed(f.load(s.speed), s.step, smoothing)
}

// lapse is a time in which a running fan shows no pull at all, and what was
// seen as it came: whether the reading followed the speed that climbed.
//
// A belt that breaks lets the reading go to where demand has it, within seconds
// and at unchanged speed; then the speed climbs and nothing follows. Demand that
// steps up lets the reading rise too, and a sound fan's climb brings it down
// again, all the way or part of it. Demand that outgrows a fan at its top moves
// no speed, and says nothing of the fan.
type lapse struct {
	open     bool
	at       int64
	start    bool    // it came with a start
	abrupt   bool    // it pulled clearly just before
	from     float64 // reading before, from demand
	fromLoad float64

	over   bool    // the climb is over
	peak   float64 // the highest speed of the climb
	peakAt int64
	low    float64 // load
	high   float64
	line   line // of the reading over load
	shows  shows
	slope  float64 // gain that the climb shows
	after  float64 // reading after it, from demand
}

// shows is what a change of speed shows of a fan.
type shows uint8

const (
	showsNothing  shows = iota // cannot be told
	showsNoEffect              // the reading does not follow the speed
	showsEffect                // it does
)

// Figures of a lapse. (Engineering choices.)
const (
	slightDraught = 3.0              // Pa
	falling       = 5 * time.Second  // that the sensor takes
	coarsely      = 10 * time.Second // polls farther apart cannot see it fall
	suddenly      = time.Minute      // within which a break shows whole
	overrunMost   = 3 * time.Hour
	climbOver     = time.Minute // without a rise of the speed
	climbLong     = 15 * time.Minute
	worth         = 0.4 // of the setpoint: a fan that makes more at full speed moves something
	bounded       = 4   // times a gain that is only bounded, it may be
	riseMargin    = 0.2 // of the gain: how far the reading may rise against the fan in a climb that shows nothing
	leastRange    = 0.1 // load, over which a climb shows anything
)

// nothing is the reading, from demand, at and above which a fan shows no pull:
// within a twentieth of the setpoint, what draught may do over a fan that stands
// still (half the tolerance, 3 Pa at most), or a count of the sensor. On
// discharge, where the fan is all that pushes, it may be an eighth of the setpoint
// if that is no more than a twentieth of what the fan ought to make at its speed.
func (f *fan) nothing(s *sample) float64 {
	still := s.tolerance / 2
	if !f.cfg.ControlsAirflow {
		still = min(still, slightDraught)
	}
	if f.sense < 0 {
		still = max(still, min(0.05*f.expect(s.speed), math.Abs(s.target)/8))
	}
	return -max(0.05*math.Abs(s.target), still, 0.4*f.counts)
}

func (l *lapse) feed(f *fan, s *sample) {
	p := &f.response.pull
	switch {
	case l.open && s.level <= clearly*s.target:
		f.response.overrun = max(f.response.overrun, min(time.Duration(s.now-l.at), overrunMost))
		*l = lapse{}
		return
	case !l.open && s.demand >= f.nothing(s):
		since := time.Duration(s.now - p.at)
		*l = lapse{open: true, at: s.now, start: s.mode == condition.Starting, peak: s.speed, peakAt: s.now, low: math.Inf(1), high: math.Inf(-1)}
		if p.seen && since <= max(suddenly, 5*s.step/2) {
			l.abrupt, l.from, l.fromLoad = true, p.level.value, p.load.value
		}
	}
	if l.open && s.moved && s.move.firm() {
		l.weighMove(f, s)
	}
	if l.open && !l.over {
		l.climb(f, s)
	}
}

// weighMove takes a stop or a forced step.
func (l *lapse) weighMove(f *fan, s *sample) {
	r := &f.response
	change := math.Abs(f.load(s.move.fast) - f.load(s.move.slow))
	if s.move.clipped || !r.measured() || r.learned.value*change < 4*s.tolerance {
		return
	}
	l.over, l.slope, l.after, l.shows = true, s.move.gain(f), s.level, showsEffect
	if math.Abs(l.slope) < noGain*r.learned.value {
		l.shows = showsNoEffect
	}
}

// climb takes a sample while the fan speeds up, and a minute more.
func (l *lapse) climb(f *fan, s *sample) {
	x, since := f.load(s.speed), time.Duration(s.now-l.at)
	if s.step > coarsely || since >= falling { // it is not still on its way from what it was
		l.low, l.high = min(l.low, x), max(l.high, x)
		l.line.add(x, s.demand)
	}
	if s.speed > l.peak+ramping {
		l.peak, l.peakAt = s.speed, s.now
	}
	down := s.speed < l.peak-dropping
	if !down && time.Duration(s.now-l.peakAt) < climbOver && since < climbLong {
		return
	}
	l.over, l.after = true, s.level
	l.shows = l.word(f, s)
}

// word says what the climb shows: how far the reading followed, beside what it
// lost before and what it ought to hold. A small pull that is left when the climb
// is over counts, if the climb brought it. A climb that was over before the sensor
// could follow shows nothing.
func (l *lapse) word(f *fan, s *sample) shows {
	reference := l.reference(f, s)
	noise := max(f.counts, 0.05*math.Abs(s.target))
	if l.line.n < 2 || l.high-l.low < leastRange {
		return l.fall(f, s)
	}
	slope, margin := l.line.slope(noise)
	none := min(noGain*reference, worth*math.Abs(s.target))
	if f.sense > 0 && math.Abs(l.after) <= max(-f.nothing(s), 0.1*math.Abs(s.target)) { // where demand that leaves lets the reading of a still fan end
		none = 2 * noGain * reference
	}
	l.slope = -slope
	switch {
	case l.slope > none && l.slope > 2*margin, l.slope > 3*margin && l.after < f.nothing(s)/2:
		return showsEffect
	case margin > none && l.slope > none:
		return showsNothing
	case !l.start && time.Duration(l.peakAt-l.at) < dead || margin > none || l.slope < -l.mayRise(reference, s) || l.beyond(f, s):
		return l.fall(f, s)
	}
	return showsNoEffect
}

// mayRise is how far the reading may rise against the fan, as a gain, in a climb
// that shows nothing. At a start demand has just come.
func (l *lapse) mayRise(reference float64, s *sample) float64 {
	if l.start {
		return max(riseMargin*reference, clearly*math.Abs(s.target))
	}
	return riseMargin * reference
}

// reference is the gain that the climb is compared with: no more than what it
// lost just before, where that was seen; and just that, where the gain is only
// bounded.
func (l *lapse) reference(f *fan, s *sample) float64 {
	r := &f.response
	reference := r.reference(s)
	if !l.abrupt || l.fromLoad <= 0 {
		return reference
	}
	lost := max(l.after-l.from, s.tolerance) / l.fromLoad
	if !r.measured() {
		reference *= bounded
	}
	return min(reference, lost)
}

// fall judges a lapse by its beginning alone: the reading fell by all that the
// fan had made at the speed it had, no less and no more.
func (l *lapse) fall(f *fan, s *sample) shows {
	made, fell := f.response.gain()*l.fromLoad, l.after-l.from
	if l.abrupt && made > s.tolerance && math.Abs(fell-made) <= max(s.tolerance, fallMargin*made) {
		return showsNoEffect
	}
	return showsNothing
}

// beyond reports whether the reading went farther than the loss of all that
// the fan had made can bring it: demand did it, or a wrong sign. A gain that is
// only bounded leaves much room.
func (l *lapse) beyond(f *fan, s *sample) bool {
	made, fell := f.response.gain()*l.fromLoad, l.after-l.from
	if f.response.measured() {
		return l.abrupt && fell-made > max(s.tolerance, fallMargin*made)
	}
	return l.abrupt && made > 0 && fell > bounded*made+s.tolerance
}

// line is the straight line of least squares through points, by sums about the
// first of them.
type line struct {
	n                  float64
	x0, y0             float64
	sx, sy, xx, xy, yy float64
}

func (l *line) add(x, y float64) {
	if l.n == 0 {
		l.x0, l.y0 = x, y
	}
	x, y = x-l.x0, y-l.y0
	l.n++
	l.sx, l.sy = l.sx+x, l.sy+y
	l.xx, l.xy, l.yy = l.xx+x*x, l.xy+x*y, l.yy+y*y
}

// slope returns the slope and its standard error; the points are taken to be
// no better than noise.
func (l *line) slope(noise float64) (slope, margin float64) {
	xx, xy, yy := l.xx-l.sx*l.sx/l.n, l.xy-l.sx*l.sy/l.n, l.yy-l.sy*l.sy/l.n
	if xx <= 0 {
		return 0, math.Inf(1)
	}
	slope = xy / xx
	rest := noise * noise
	if l.n > 2 {
		rest = max(rest, (yy-slope*xy)/(l.n-2))
	}
	return slope, math.Sqrt(rest / xx)
}
