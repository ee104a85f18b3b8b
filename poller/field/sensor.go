package field

import (
	"math"
	"math/rand/v2"
)

// sensor is the probe with its transmitter. It reads a pressure in Pa, or the
// velocity pressure or airflow of a fan that controls airflow.
type sensor struct {
	low, high float64 // what it can read
	noise     float64 // standard deviation
	lag       float64 // s, of its tubes and its filter
	settled   float64 // through the lag
	reads     float64
}

// step follows the true value for a second and returns what is read.
func (s *sensor) step(rnd *rand.Rand, value float64) float64 {
	s.settled += (value - s.settled) / (1 + s.lag)
	s.reads = min(max(s.settled+rnd.NormFloat64()*s.noise, s.low), s.high)
	return s.reads
}

// flowProbe turns velocity pressures into flows and back: Q = k sqrt(VP), from
// VP = rho V^2 / 2 and Q = factor * area * V.
type flowProbe struct{ k float64 }

func newFlowProbe(factor, area, density float64) flowProbe {
	return flowProbe{factor * area * math.Sqrt(2/density)}
}

func (p flowProbe) flow(pressure float64) float64 { return p.k * math.Sqrt(max(0, pressure)) }

func (p flowProbe) pressure(flow float64) float64 {
	v := flow / p.k
	return math.Copysign(v*v, flow)
}
