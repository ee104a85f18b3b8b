package turnover

import (
	"math"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// trace is all that was seen of one fan.
type trace struct {
	fan    *config.Fan
	units  units.System
	points []config.PlacedPoint
	looks  []Look
	series [reading.Points][]float64 // by look; NaN where there is no good value; nil where the point is not mapped
	told   []float64                 // the setpoint as the point map reads it
	shown  []float64                 // the speed as the point map reads it
}

func newTrace(f *config.Fan, system units.System, looks []Look) *trace {
	t := &trace{fan: f, units: system, points: Points(f), looks: looks}
	for i, p := range t.points {
		t.series[p.Point] = t.read(i, own(p))
	}
	t.told, t.shown = t.series[reading.Setpoint], t.series[reading.Speed]
	if f.ControlsAirflow && t.series[reading.Airflow] == nil {
		t.series[reading.Airflow] = t.airflow()
	}
	return t
}

// read reads a point in some way, look by look. What a BACnet object says against
// its own value leaves none, whatever the way.
func (t *trace) read(i int, w Way) []float64 {
	values := make([]float64, len(t.looks))
	for k := range t.looks {
		a := &t.looks[k].Answers[i]
		v, good := w.Read(a)
		if values[k] = v; !good || a.Object != nil && a.Object.Quality() != reading.Good {
			values[k] = math.NaN()
		}
	}
	return values
}

// airflow is worked out from the velocity pressure.
func (t *trace) airflow() []float64 {
	flow := make([]float64, len(t.looks))
	for k := range flow {
		var r reading.Reading
		flow[k] = math.NaN()
		if v := t.at(reading.VelocityPressure, k); !math.IsNaN(v) {
			r.Set(reading.VelocityPressure, v)
			t.fan.Complete(&r)
			if v, good := r.Get(reading.Airflow); good {
				flow[k] = v
			}
		}
	}
	return flow
}

// at is a point's value in a look, or NaN.
func (t *trace) at(p reading.Point, k int) float64 {
	if t.series[p] == nil {
		return math.NaN()
	}
	return t.series[p][k]
}

// setpoint is what the fan was to hold in a look, or NaN.
func (t *trace) setpoint(k int) float64 {
	if v := t.at(reading.Setpoint, k); !math.IsNaN(v) {
		return v
	}
	if t.fan.HasSetpoint {
		return t.fan.Setpoint
	}
	return math.NaN()
}

// What the fan did in a look, by its speed.
const (
	unknown = iota
	stopped
	slowest // at its lowest speed, or below
	between // its limits: what it controls is held
	top
)

// margin is how near to a limit a speed counts as at it. (Engineering choice: two
// points, as a controller's ramp may end short of it.)
const margin = 0.02

func (t *trace) state(k int) int {
	speed := t.at(reading.Speed, k)
	switch {
	case math.IsNaN(speed):
		return unknown
	case speed < t.fan.StoppedBelow:
		return stopped
	case speed <= t.fan.MinSpeed+margin:
		return slowest
	case speed >= t.fan.MaxSpeed-margin:
		return top
	}
	return between
}

// running reports whether the fan ran in a look.
func (t *trace) running(k int) bool { return t.state(k) >= slowest }

// turned reports whether something else than the speed says that the wheel
// turned in a look.
func (t *trace) turned(k int) bool {
	return t.at(reading.Running, k) == 1 || t.at(reading.Proof, k) == 1 || t.at(reading.RPM, k) > 30
}

// during returns the good values of those looks that a test picks.
func (t *trace) during(values []float64, in func(k int) bool) []float64 {
	var picked []float64
	for k, v := range values {
		if !math.IsNaN(v) && in(k) {
			picked = append(picked, v)
		}
	}
	return picked
}

// lasted is the time from the first look to the last.
func (t *trace) lasted() time.Duration {
	if len(t.looks) == 0 {
		return 0
	}
	return t.looks[len(t.looks)-1].Time.Sub(t.looks[0].Time)
}

// good returns the values without the NaNs.
func good(values []float64) []float64 {
	return slices.DeleteFunc(slices.Clone(values), math.IsNaN)
}

// median of values; NaN of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	return (sorted[(len(sorted)-1)/2] + sorted[len(sorted)/2]) / 2
}

// changes counts how often a value differed from the one before.
func changes(values []float64) int {
	n := 0
	for k := 1; k < len(values); k++ {
		if values[k] != values[k-1] {
			n++
		}
	}
	return n
}

// share is that of values which a test picks.
func share(values []float64, is func(v float64) bool) float64 {
	if len(values) == 0 {
		return 0
	}
	n := 0
	for _, v := range values {
		if is(v) {
			n++
		}
	}
	return float64(n) / float64(len(values))
}
