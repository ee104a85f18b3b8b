package report

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// tally counts up one fan's readings.
type tally struct {
	fan         *config.Fan
	tolerance   config.Tolerance
	ownSetpoint bool  // the controller is asked for it
	stale       int64 // ns, that a reading stands at most
	from, to    int64 // ns since 1970, like all times here

	now   state // what the last reading said
	at    int64 // when, 0 before the first
	begun int64 // when the first was, of those within the month

	knownAt int64 // when its speed was last known
	rested  bool  // it was at rest then

	sum     Fan
	speed   float64       // ratio x s, while it ran
	metered float64       // J, of a power point
	meant   time.Duration // over which it was metered
	curves  curves
}

// state is what a fan is in from one reading to the next.
type state struct {
	counts    *time.Duration // the hours that it adds to; nil where there is no reading
	own       bool           // at a speed of its own choice
	runs      bool
	speed     float64
	power     float64
	hasPower  bool
	top, slow bool
}

func newTally(f *config.Fan, from, to time.Time) *tally {
	_, own := f.Placed(reading.Setpoint)
	return &tally{fan: f, tolerance: f.Tolerance(), ownSetpoint: own, stale: int64(f.Gateway.StaleAfter), from: from.UnixNano(), to: to.UnixNano(), sum: Fan{Fan: f}}
}

// take counts the time since the reading before, and goes on with this one.
func (t *tally) take(r *reading.Reading, mode condition.Mode) {
	at := r.Time.UnixNano()
	t.pass(at)
	t.at = at
	if t.begun == 0 && at >= t.from {
		t.begun = at
	}
	t.now = t.stateOf(r, mode)
	if t.now.counts == &t.sum.Unanswered {
		return
	}
	if t.now.runs && t.rested && at-t.knownAt <= t.stale && at >= t.from {
		t.sum.Starts++
	}
	t.knownAt, t.rested = at, !t.now.runs
}

// pass lets the state of the last reading stand until a time, but no longer than
// it may.
func (t *tally) pass(until int64) {
	if t.now.counts == nil {
		return
	}
	if stood := min(until, t.at+t.stale) - max(t.at, t.from); stood > 0 {
		t.count(&t.now, time.Duration(stood))
	}
}

func (t *tally) count(s *state, stood time.Duration) {
	*s.counts += stood
	if s.counts == &t.sum.Unanswered {
		return
	}
	t.sum.Recorded += stood
	if s.own && s.top {
		t.sum.AtTop += stood
	}
	if s.own && s.slow {
		t.sum.AtLowest += stood
	}
	if s.hasPower {
		t.metered += s.power * stood.Seconds()
		t.meant += stood
	}
	if s.runs {
		t.sum.Ran += stood
		t.speed += s.speed * stood.Seconds()
		t.curves.add(s.speed, stood.Seconds())
	}
}

// stateOf reads what a fan is in.
func (t *tally) stateOf(r *reading.Reading, mode condition.Mode) state {
	speed, good := r.Get(reading.Speed)
	if !good || !r.Outcome.Answered() || mode == condition.Unknown {
		return state{counts: &t.sum.Unanswered}
	}
	s := state{own: mode.Own(), runs: speed >= t.fan.StoppedBelow, speed: speed,
		top: speed >= t.fan.MaxSpeed-config.SpeedMargin-rounding, slow: speed <= t.fan.MinSpeed+config.SpeedMargin+rounding}
	s.power, s.hasPower = r.Get(reading.Power)
	switch {
	case mode == condition.Disabled:
		s.counts = &t.sum.Disabled
	case mode == condition.Forced:
		s.counts = &t.sum.Forced
	case mode == condition.Idle:
		s.counts = &t.sum.Idle
	case mode == condition.Stopped:
		s.counts = &t.sum.Stopped
	default:
		s.counts = t.held(r)
	}
	return s
}

// rounding is what is left of a decimal in binary.
const rounding = 1e-9

// held tells whether what the fan holds is at its setpoint: what it says itself,
// or else, where its controller is not asked, what the fleet file says.
func (t *tally) held(r *reading.Reading) *time.Duration {
	value, good := r.Get(t.fan.Controlled())
	setpoint, known := r.Get(reading.Setpoint)
	if !known && !t.ownSetpoint {
		setpoint, known = t.fan.Setpoint, t.fan.HasSetpoint
	}
	switch {
	case !good || !known || math.IsNaN(value+setpoint):
		return &t.sum.Untold
	case math.Abs(value-setpoint) <= t.tolerance.At(setpoint):
		return &t.sum.AtSetpoint
	}
	return &t.sum.OffSetpoint
}

// close counts until the end, and returns the fan's month.
func (t *tally) close() Fan {
	t.pass(t.to)
	t.sum.Missing = time.Duration(t.to-t.from) - t.sum.Recorded - t.sum.Unanswered
	if t.sum.Ran > 0 {
		t.sum.MeanSpeed = t.speed / t.sum.Ran.Seconds()
	}
	t.sum.Energy = t.energy()
	return t.sum
}
