package rules

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// outOfRange judges sensor_out_of_range: the fan's controlled value stands at
// or beyond what its sensor can read, for the hold. The ends are those of
// probe_range, within half a percent of its span; without one, the least and the
// most that the register can hold, if it is an integer. A value that the
// controller has marked as none, by the register's own marker, counts as beyond
// the end: it is how a controller says that its sensor is broken or out of range.
// So does one that a BACnet device itself calls faulty, out of service or
// overridden, or gives in a unit that the point map has not: there is no sensor.
//
// Not every end proves something against the sensor:
//
//   - An end at zero, or beyond which zero lies, is what a fan reads that moves
//     nothing, or one against which branch fans push. It is not judged.
//   - An end within what branch fans (beyond_pushes of inverted_sign, as a rule
//     75 Pa) or draught can reach, or next to the setpoint, may be the truth; so
//     may one to which the reading came as the fan sped up, with the wrong sign
//     but no farther than the square of the speed takes it, from what demand can do
//     while the fan stands, to what the fan can make. Only a jump to it,
//     within two polls and no more than twenty seconds, speaks for the sensor at
//     once (where demand can reach the end: at a steady speed); else it must stand
//     for demand_hold.
//     No fan that drew takes its reading to an end within one poll of ten seconds
//     or less: that is a jump, whatever the speed did.
//   - An end that lies beyond what the fan should draw may be the truth while it
//     is near its top, and is not judged then: a controller that believed it would
//     slow the fan. If the reading jumped there at a steady speed it is the
//     sensor's at every speed.
//
// A fan that is forced may truly draw more than its sensor can show; it is not
// judged. It is over when the value has been within the range for two minutes;
// what the speed does meanwhile does not end it.
type outOfRange struct {
	hold       time.Duration
	demandHold time.Duration
	pushes     float64

	stand  stand
	marked stand
	side   end
	why    reading.Quality // what the value is worth that is marked
	slow   bool            // the end may be the truth
	jumped bool            // to it, at a steady speed or faster than any fan could

	// The last reading nearer to the setpoint than to the end.
	inside bool
	at     int64
	value  float64
	speed  float64
}

// end is an end of what a sensor can read.
type end uint8

const (
	noEnd end = iota
	lowEnd
	highEnd
)

// (Engineering choices.)
const (
	rangeGrace = 15 * time.Second
	rangeExit  = 2 * time.Minute
	jumpTime   = 20 * time.Second // the longest for a jump
	jumpSpeed  = 0.15             // the most that the speed may move at it
	atOnce     = 10 * time.Second // too short for a wheel and its pressure to run to an end
	reach      = 3.0              // times what a fan is known to make, it may
	climbSpeed = 0.05             // the least that it moves while it takes the reading along
	draughts   = 75.0             // Pa, what draught can do to a riser
)

// ends are the values at and beyond which a sensor stands at its ends. The
// infinite one is none.
type ends struct{ low, high float64 }

// endsOf finds the ends of a fan's sensor.
func endsOf(cfg *config.Fan) ends {
	if cfg.HasProbeRange {
		edge := 0.005 * (cfg.ProbeHigh - cfg.ProbeLow)
		return ends{cfg.ProbeLow + edge, cfg.ProbeHigh - edge}
	}
	none := ends{math.Inf(-1), math.Inf(1)}
	placed, ok := cfg.Placed(cfg.Controlled())
	if !ok || placed.Encoding.Bit != decode.NoBit {
		return none
	}
	e := placed.Encoding
	var low, high float64
	switch e.Type {
	case decode.Int16:
		low, high = math.MinInt16, math.MaxInt16
	case decode.Uint16:
		low, high = math.Inf(-1), math.MaxUint16 // nothing is no end
	case decode.Int32:
		low, high = math.MinInt32, math.MaxInt32
	case decode.Uint32:
		low, high = math.Inf(-1), math.MaxUint32
	default:
		return none
	}
	count := math.Abs(e.Scale * e.Unit.Factor)
	a, b := (low*e.Scale+e.Offset)*e.Unit.Factor, (high*e.Scale+e.Offset)*e.Unit.Factor
	return ends{min(a, b) + count/2, max(a, b) - count/2}
}

// endOf is the end of its range that a sample's value stands at.
func (f *fan) endOf(s *sample) end {
	switch {
	case !s.hasValue:
		return noEnd
	case s.value <= f.ends.low:
		return lowEnd
	case s.value >= f.ends.high:
		return highEnd
	}
	return noEnd
}

// proves reports whether an end is one that a fan that moves nothing does not
// read.
func (f *fan) proves(side end, s *sample) bool {
	if side == lowEnd {
		return f.ends.low < -s.tolerance
	}
	return side == highEnd && f.ends.high > s.tolerance
}

func (c *outOfRange) configure(f *fan, s condition.Setting) {
	c.hold, c.demandHold = s.Hold, s.OwnDuration(condition.DemandHold)
	c.pushes = f.cfg.Rules[condition.InvertedSign].Own[condition.BeyondPushes]
}

func (c *outOfRange) judge(f *fan, s *sample) condition.State {
	if s.failed || !s.hasSpeed {
		return condition.CannotJudge
	}
	worth := f.worth(s.r)
	none := worth.Worthless()
	if none {
		c.why = worth
	}
	c.marked.feed(s.now, s.gap, none, wait{hold: c.hold, exit: rangeExit})
	if !s.hasValue {
		return c.word(none)
	}
	side := f.endOf(s)
	if side != noEnd && side != c.side {
		c.arrive(f, s, side)
	}
	evidence := side != noEnd && f.proves(side, s) && (c.stand.full || c.jumped || !f.drawn(side, s))
	w := wait{hold: c.hold, grace: rangeGrace, exit: rangeExit}
	if c.slow {
		w.hold = max(c.hold, c.demandHold)
	}
	c.stand.feed(s.now, s.gap, evidence, w)
	if !c.stand.open {
		c.side = noEnd
	}
	c.remember(f, s)
	return c.word(true)
}

// word is what is to be said; with no value there is nothing that speaks
// against what was found.
func (c *outOfRange) word(sure bool) condition.State {
	switch {
	case c.stand.full || c.marked.full:
		return condition.Present
	case sure:
		return condition.Absent
	}
	return condition.CannotJudge
}

// worth is what the value of the fan's sensor is worth.
func (f *fan) worth(r *reading.Reading) reading.Quality {
	if f.cfg.ControlsAirflow && r.Quality(reading.VelocityPressure) != reading.NotMapped {
		return r.Quality(reading.VelocityPressure)
	}
	return r.Quality(f.controlled)
}

// arrive notes how the reading came to an end of its range.
func (c *outOfRange) arrive(f *fan, s *sample, side end) {
	c.side = side
	if c.stand.full { // from the one end to the other
		return
	}
	c.stand.forget()
	took, faster := time.Duration(s.now-c.at), s.speed-c.speed
	soon := c.inside && took <= min(2*s.step, jumpTime)
	climbed := c.climbed(f, s, side)
	c.jumped = soon && math.Abs(faster) <= jumpSpeed && !climbed || c.broke(f, s, side)
	c.slow = !c.jumped && (climbed || c.reachable(f, s, side))
}

// broke reports whether the reading of a fan that drew left it for an end on the
// side of demand from one poll to the next.
func (c *outOfRange) broke(f *fan, s *sample, side end) bool {
	return c.inside && c.speed >= f.cfg.StoppedBelow && f.sense*c.value <= -s.tolerance && f.sense*f.limit(side) > c.pushes &&
		time.Duration(s.now-c.at) <= min(s.step, atOnce)
}

// climbed reports whether the fan may have taken its reading to an end with the
// wrong sign, as it sped up.
func (c *outOfRange) climbed(f *fan, s *sample, side end) bool {
	limit := math.Abs(f.limit(side))
	return c.inside && s.speed-c.speed > climbSpeed && f.sense*f.limit(side) > 0 &&
		(c.speed >= f.cfg.StoppedBelow || f.sense*c.value <= c.pushes) &&
		limit <= c.pushes+reach*f.response.reference(s)*f.load(s.speed) &&
		limit*c.speed*c.speed <= (math.Abs(c.value)+c.pushes)*s.speed*s.speed
}

// limit is the value at an end.
func (f *fan) limit(side end) float64 {
	if side == lowEnd {
		return f.ends.low
	}
	return f.ends.high
}

// reachable reports whether a healthy fan may truly come to an end.
func (c *outOfRange) reachable(f *fan, s *sample, side end) bool {
	at := f.sense * f.limit(side)
	if s.hasSetpoint && math.Abs(at-s.target) <= 3*s.tolerance {
		return true
	}
	return !f.cfg.ControlsAirflow && at <= c.pushes && at >= -draughts
}

// drawn reports whether a fan may truly draw as far as an end: one on the other
// side than demand, in the faster half of its speeds and well above its lowest.
func (f *fan) drawn(side end, s *sample) bool {
	return f.sense*f.limit(side) < 0 && s.speed >= max((f.cfg.MinSpeed+f.cfg.MaxSpeed)/2, f.cfg.MinSpeed+offLimit)
}

// remember keeps the last reading that was nearer to the setpoint than to the
// end of the range on its side.
func (c *outOfRange) remember(f *fan, s *sample) {
	if !s.hasSetpoint {
		return
	}
	limit := f.ends.high
	if s.value < s.setpoint {
		limit = f.ends.low
	}
	if 2*math.Abs(s.value-s.setpoint) <= math.Abs(limit-s.setpoint) {
		c.inside, c.at, c.value, c.speed = true, s.now, s.value, s.speed
	}
}

// doubts: the value stands at an end that the riser cannot reach.
func (c *outOfRange) doubts(*fan, *sample) bool {
	return c.stand.open && c.stand.held && !c.stand.full && !c.slow && c.stand.stood < c.hold
}

func (c *outOfRange) found() *stand {
	if c.stand.full {
		return &c.stand
	}
	return &c.marked
}

func (c *outOfRange) since() int64 { return c.found().since }

func (c *outOfRange) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *outOfRange) rest() {
	c.stand.rest()
	c.marked.rest()
	c.inside = false
}

func (c *outOfRange) forget() {
	*c = outOfRange{hold: c.hold, demandHold: c.demandHold, pushes: c.pushes}
}
