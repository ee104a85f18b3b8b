package rules

import (
	"math"
	"time"
)

// Figures by which a step of demand is told from draught. Draught follows the
// weather, in hours; a gust passes in seconds to minutes; an exhaust that is
// switched on moves the pressure within its start and holds it. (Engineering
// choices.)
const (
	calming     = 2 * time.Minute  // after a stop the pressure is left to settle
	nearby      = 30 * time.Second // filter over gusts
	delay       = time.Minute      // keeps a step that has just begun out of the baseline
	draughtTime = 15 * time.Minute // time constant of the baseline
	stepTime    = 3 * time.Minute  // a rise that took longer was no step
	stayTime    = 3 * time.Minute  // filter over what must stay
	stepGrace   = time.Minute
	stepExit    = 2 * time.Minute
	rare        = 4.0            // mean distances from the baseline that gusts hardly reach (three sigma)
	smallStep   = 10.0           // Pa, no step below it counts
	fallMemory  = 12 * time.Hour // after which a fall explains no rise any more
	low         = 0.3            // of a step: below this the rise has not begun, or is gone
	stays       = 0.6            // of a step: above this it has stayed
)

// draught follows the slow pressure of a riser at rest and finds a step on it.
// The baseline is double exponential smoothing (Brown): it follows a steady
// drift without lag and knows its slope, so that a slow swing is expected to
// go on and is not taken for a step that stayed.
//
// A rise that only brings back what a fall took before is no demand: a door was
// opened and is closed again, or, where the tubes are swapped, demand came and
// has gone. Above what was there before the fall it is.
type draught struct {
	near    filter
	late    filter
	base    filter
	trend   filter
	spread  filter // mean distance of the reading from the baseline
	learned time.Duration
	low     int64 // when the reading was last near the baseline
	hasLow  bool
	top     int64 // likewise, seen from above
	hasTop  bool

	fell   bool // by a step, as demand does not
	fellAt int64
	high   float64 // the baseline before that

	stand    stand // of the step
	onset    int64
	expected float64 // baseline at the onset
	slope    float64 // Pa a second, at the onset
	step     float64 // Pa
	stay     filter
}

// feed takes one sample of a fan at rest.
func (d *draught) feed(s *sample, hold time.Duration) {
	w := wait{hold: hold, grace: stepGrace, exit: stepExit}
	if d.stand.open {
		expected := d.expect(s.now, hold)
		stayed := d.stay.feed(s.demand, s.step, stayTime)-expected >= stays*d.step
		over := d.near.feed(s.demand, s.step, nearby)-expected >= low*d.step
		d.stand.feed(s.now, s.gap, stayed && over, w)
		return
	}
	if s.step == 0 { // first, or after a gap: a rise over it is no step
		d.near, d.late, d.hasLow, d.hasTop = filter{}, filter{}, false, false
	}
	near := d.near.feed(s.demand, s.step, nearby)
	level := d.learn(d.late.feed(near, s.step, delay), s.step)
	sizeable := max(smallStep, math.Abs(s.target)/2, 2*s.tolerance)
	need := max(sizeable, rare*d.spread.value)
	d.spread.feed(math.Abs(near-level), s.step, max(min(d.learned, draughtTime), s.step))
	d.fall(s.now, near, level, sizeable)
	if d.fell {
		level = max(level, d.high)
	}
	over := near - level
	switch {
	case over <= low*need:
		d.low, d.hasLow = s.now, true
	case over >= need && d.hasLow && time.Duration(s.now-d.low) <= stepTime:
		d.onset, d.expected, d.slope, d.step = s.now, level, d.drift(), over
		d.stay = filter{begun: true, value: near}
		d.hasLow = false
		d.stand.feed(s.now, s.gap, true, w)
	}
}

// fall notes a fall that came as a step, until the baseline is back. One that
// ends nearer to zero than it began is demand that has left, and explains no
// rise.
func (d *draught) fall(now int64, near, level, need float64) {
	switch under := level - near; {
	case d.fell && (min(level, near) >= d.high-low*need || time.Duration(now-d.fellAt) > fallMemory):
		d.fell = false
	case under <= low*need:
		d.top, d.hasTop = now, true
	case under >= need && near+level < -low*need && d.hasTop && !d.fell && time.Duration(now-d.top) <= stepTime:
		d.fell, d.fellAt, d.high = true, now, level
	}
}

// learn moves the baseline and returns its level. Until it has seen its time
// constant it is the plain mean of what it saw.
func (d *draught) learn(value float64, step time.Duration) float64 {
	d.learned += step
	tau := max(min(d.learned, draughtTime), step)
	base := d.base.feed(value, step, tau)
	trend := d.trend.feed(base, step, tau)
	if d.learned < draughtTime {
		return base
	}
	return 2*base - trend
}

// drift is the slope of the baseline.
func (d *draught) drift() float64 {
	if d.learned < draughtTime {
		return 0
	}
	return (d.base.value - d.trend.value) / draughtTime.Seconds()
}

// expect is where draught alone would have the pressure by now. It is not
// carried on for longer than a step must stay.
func (d *draught) expect(now int64, hold time.Duration) float64 {
	since := min(max(time.Duration(now-d.onset), 0), hold)
	return d.expected + d.slope*since.Seconds()
}

// rest drops what was learned; a step that stood its hold stays.
func (d *draught) rest() {
	if !d.stand.full {
		d.forget()
	}
}

func (d *draught) forget() { *d = draught{} }
