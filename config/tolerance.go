package config

import (
	"math"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// SpeedMargin is how near to a limit of its speed a fan is at it: what a 0-10 V
// signal and its reading may be off. (Common practice of the trade.)
const SpeedMargin = 0.02

// Tolerance is how far from its setpoint a fan's controlled value may be.
type Tolerance struct {
	// Counts are two counts of the controlled value's point, in its base unit; 0
	// where it has none (a floating-point register) or its point is not known.
	Counts float64
	least  float64
}

// Tolerance returns the fan's: the largest of 15 % of the setpoint, 5 Pa (for a
// flow 5 % of it, which is less) and two counts of its point.
func (f *Fan) Tolerance() Tolerance {
	t := Tolerance{Counts: 2 * f.countHeld(), least: 5}
	if f.ControlsAirflow {
		t.least = 0
	}
	return t
}

// At returns the tolerance of a setpoint, both in Pa or m3/s.
func (t Tolerance) At(setpoint float64) float64 {
	return max(0.15*math.Abs(setpoint), t.Counts, t.least)
}

// countHeld is one count of the controlled value. The counts of a velocity pressure
// are taken where the flow is the setpoint, from Q = k sqrt(VP): dQ = k^2 dVP / 2Q.
func (f *Fan) countHeld() float64 {
	if count := f.Count(f.Controlled()); count > 0 || !f.ControlsAirflow || f.ProbeArea == 0 || f.Setpoint == 0 {
		return count
	}
	k := f.ProbeFactor * f.ProbeArea * math.Sqrt(2/f.AirDensity)
	return k * k * f.Count(reading.VelocityPressure) / (2 * math.Abs(f.Setpoint))
}

// Count returns one count of a point, in its base unit: the least by which its
// value can change. It is 0 where there is no such step (a floating-point
// register) or the fan has no such point.
func (f *Fan) Count(p reading.Point) float64 {
	placed, ok := f.Placed(p)
	if !ok || placed.Encoding.Type == decode.Float32 {
		return 0
	}
	return math.Abs(placed.Encoding.Scale * placed.Encoding.Unit.Factor)
}

// SameSetting reports whether what is read of a setting is what it was.
func (f *Fan) SameSetting(p reading.Point, was, is float64) bool {
	return math.Abs(is-was) <= f.Rounding(p, was)
}

// Rounding is how far a setting may read from what it is: one count of its
// register, or what single precision leaves of it.
func (f *Fan) Rounding(p reading.Point, value float64) float64 {
	const share = 1e-6
	placed, ok := f.Placed(p)
	if !ok || placed.Encoding.Type == decode.Float32 {
		return 1e-3*math.Abs(value) + share
	}
	return f.Count(p)*(1+share) + share*math.Abs(value)
}
