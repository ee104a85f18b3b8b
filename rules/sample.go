package rules

import (
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Times that the engine lets pass before it judges. (Engineering choices.)
const (
	// settling is how long a fan's pressure takes to follow a start or a new
	// setpoint.
	settling = 30 * time.Second
	// smoothing is the time constant of the filter over the controlled value:
	// long enough to ride through gusts, short beside every hold.
	smoothing = 20 * time.Second
)

// sample is one reading of one fan as the rules see it. Values "from demand"
// have the sign that makes them rise with demand, so that the rules need not
// know the side of the probe.
type sample struct {
	r      *reading.Reading
	now    int64
	gap    time.Duration // the longest that still counts as consecutive
	failed bool          // nothing was read
	// sinceLast is how long ago the speed was last good; 0 where it never was,
	// or the clock was set back.
	sinceLast time.Duration
	mode      condition.Mode
	was       condition.Mode // of the sample before
	// settled is how long ago the fan last changed: a start, a stop, a forced
	// speed, a new setpoint, a gap. The longest there is where it never did.
	settled time.Duration
	move    move // that came to its end with this sample
	moved   bool // there is one
	still   stillness
	// repeated: the gateway as good as surely repeats what it once read.
	repeated bool

	speed    float64
	hasSpeed bool

	value    float64 // as read
	demand   float64 // from demand
	level    float64 // from demand, smoothed
	hasValue bool
	step     time.Duration // since the last good value; 0 over a gap

	setpoint    float64 // as given
	target      float64 // the setpoint from demand
	tolerance   float64
	hasSetpoint bool // and the fan had time to follow it
}

// short is by how much the fan is short of its setpoint: how far the smoothed
// value stands on the side of demand.
func (s *sample) short() float64 { return s.level - s.target }

// gapped reports whether the fan was not heard for too long before this sample
// to know what it did.
func (s *sample) gapped() bool { return s.sinceLast == 0 || s.sinceLast > s.gap }

// judgeable reports whether the controlled value, the setpoint and the speed
// are all known.
func (s *sample) judgeable() bool { return s.hasValue && s.hasSetpoint && s.hasSpeed }

// take fills s from a reading.
func (f *fan) take(r *reading.Reading, s *sample) {
	*s = sample{r: r, now: f.last, gap: f.maxGap(), failed: unread(f, r)}
	if s.failed {
		return
	}
	s.speed, s.hasSpeed = finite(r.Get(reading.Speed))
	f.takeSetpoint(s)
	if s.value, s.hasValue = finite(r.Get(f.controlled)); !s.hasValue {
		return
	}
	s.step = time.Duration(s.now - f.judgedAt)
	if s.step < 0 || s.step > s.gap || !f.level.begun {
		s.step = 0
		f.level.begun = false
	}
	f.judgedAt = s.now
	s.demand = f.sense * s.value
	s.level = f.level.feed(s.demand, s.step, smoothing)
}

// unread reports whether nothing usable was read: the poll failed, or the
// gateway says that it has not heard from the unit for longer than a value may
// be old. A device that refused single points is read if those that the rules
// need are good.
func unread(f *fan, r *reading.Reading) bool {
	if ago, good := r.Get(reading.HeardAgo); good && ago > f.gap.Seconds() {
		return true
	}
	switch r.Outcome {
	case reading.OK, reading.Invalid:
		return false
	case reading.Exception:
		return !f.cfg.Usable(r)
	}
	return true
}

func finite(v float64, good bool) (float64, bool) {
	return v, good && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// setpoint remembers what the fan is to hold, to see it change.
type setpoint struct {
	known   bool
	value   float64
	changed int64 // when it last changed by more than the tolerance
	moving  bool  // it changed, and the fan is given time to follow
}

// takeSetpoint finds what the fan is to hold: what it says itself, or else
// what the fleet file says. A setpoint that the controller has and that is not
// good now makes the fan impossible to judge now; where a recording leaves it
// out, the fleet file's is taken.
func (f *fan) takeSetpoint(s *sample) {
	value, ok := finite(s.r.Get(reading.Setpoint))
	absent := !f.setpointPoint || s.r.Quality(reading.Setpoint) == reading.NotMapped
	if !ok && !(absent && f.cfg.HasSetpoint) {
		return
	}
	if !ok {
		value = f.cfg.Setpoint
	}
	s.setpoint, s.target, s.tolerance = value, f.sense*value, f.tolerance.At(value)
	p := &f.setpoint
	if p.known && math.Abs(value-p.value) > s.tolerance {
		p.moving, p.changed = true, s.now
		f.mode.change(s.now)
	}
	if since := time.Duration(s.now - p.changed); p.moving && (since < 0 || since >= settling) {
		p.moving = false
	}
	p.known, p.value = true, value
	s.hasSetpoint = !p.moving
}

// filter is a first-order low-pass over readings at uneven distances
// (backward Euler: the weight of a new value is step / (tau + step)).
type filter struct {
	begun bool
	value float64
}

// feed takes one value, a step after the last one, and returns the filtered
// value. The first value is taken as it is.
func (l *filter) feed(value float64, step, tau time.Duration) float64 {
	if !l.begun {
		l.begun, l.value = true, value
	} else {
		l.value += (value - l.value) * float64(step) / float64(tau+step)
	}
	return l.value
}
