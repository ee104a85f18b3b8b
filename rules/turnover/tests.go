package turnover

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// ranges are what a value can be in a duct and on a roof, in base units; what is
// beyond is read wrongly. (Engineering choices, wide: no fan of this kind makes
// more than 2,500 Pa, and none turns faster than 12,000 rpm.)
var ranges = map[reading.Point][2]float64{
	reading.Pressure: {-2500, 2500}, reading.VelocityPressure: {-25, 2500}, reading.Setpoint: {-2500, 2500}, reading.Airflow: {-1, 100},
	reading.Speed: {-0.005, 1.05}, reading.RPM: {-1, 12000}, reading.Power: {-50, 200e3},
	reading.Energy: {0, 1e14}, reading.RunHours: {0, 50 * 366 * 86400},
	reading.MinSpeed: {0, 1}, reading.MaxSpeed: {0, 1.05}, reading.IdleBelow: {0, 1}, reading.StoppedBelow: {0, 1},
	reading.OverrideSpeed: {0, 1.05}, reading.HighSpeedAt: {0, 1.05}, reading.HighSpeedOffAt: {0, 1.05},
	reading.RunOn: {0, 86400}, reading.StartDelay: {0, 3600}, reading.HighSpeedDelay: {0, 3600},
	reading.RestartRise: {0, 2500}, reading.HeardAgo: {0, 1e9}, reading.OutdoorTemperature: {-60, 60},
}

// CanBe reports whether a point can have a value, given in its base unit, in a
// duct or on a roof at all.
func CanBe(p reading.Point, value float64) bool {
	limits, known := ranges[p]
	return !tiny(value) && (!known || value >= limits[0] && value <= limits[1])
}

// beyond judges values that cannot be.
func (t *trace) beyond(p reading.Point, values []float64) (found, bool) {
	limits, known := ranges[p]
	if p == t.fan.Controlled() && t.fan.HasProbeRange {
		reach := 0.1 * (t.fan.ProbeHigh - t.fan.ProbeLow)
		limits, known = [2]float64{t.fan.ProbeLow - reach, t.fan.ProbeHigh + reach}, true
	}
	real := good(values)
	out := func(v float64) bool { return v < limits[0] || v > limits[1] }
	if !known || share(real, out) <= 0.5 {
		return found{}, false
	}
	return fails("reads %s, which cannot be (it would have to be from %s to %s)", t.write(p, median(real)), t.write(p, limits[0]), t.write(p, limits[1])), true
}

// plausible judges a point of which nothing more is known.
func (t *trace) plausible(p reading.Point, values []float64) found {
	if f, bad := t.beyond(p, values); bad {
		return f
	}
	return passes("reads %s, which can be", t.write(p, median(good(values))))
}

// held judges what the controller holds: a pressure has the sign of its probe's
// side while the fan runs, and between its limits it is near setpoint.
func (t *trace) held(p reading.Point, values []float64) found {
	if f, bad := t.beyond(p, values); bad {
		return f
	}
	runs := t.during(values, t.running)
	last := t.write(p, median(good(values)))
	if len(runs) == 0 {
		return notSeen("reads %s and can be, but %s: its sign and size are not proven", last, t.notRunning())
	}
	sp := median(t.during(t.setpoints(), t.running))
	if f, bad := t.sign(p, runs, sp); bad {
		return f
	}
	if f, bad := t.size(p, values, sp); bad {
		return f
	}
	f := t.moves(p, values, runs)
	if f.verdict != Pass {
		return f
	}
	if len(t.during(values, func(k int) bool { return t.state(k) == between })) == 0 {
		return notSeen("reads %s, moves and has the right sign, but the fan was never between its limits: its size is not proven", last)
	}
	return passes("reads %s against a setpoint of %s while the fan runs between its limits, and moves", last, t.write(p, sp))
}

// notRunning says why nothing is known of a running fan.
func (t *trace) notRunning() string {
	if len(good(t.series[reading.Speed])) == 0 {
		return "the fan's speed is not known"
	}
	return "the fan did not run"
}

func (t *trace) setpoints() []float64 {
	all := make([]float64, len(t.looks))
	for k := range all {
		all[k] = t.setpoint(k)
	}
	return all
}

// size judges a value against the setpoint while the controller holds it, which
// it does between its limits: half of it and a little is allowed for.
func (t *trace) size(p reading.Point, values []float64, sp float64) (found, bool) {
	holding := t.during(values, func(k int) bool { return t.state(k) == between })
	if len(holding) < 3 || math.IsNaN(sp) || sp == 0 {
		return found{}, false
	}
	far := max(0.5*math.Abs(sp), 2*t.fan.Tolerance().At(sp))
	if share(holding, func(v float64) bool { return math.Abs(v-sp) > far }) <= 0.5 {
		return found{}, false
	}
	says := fmt.Sprintf("reads %s while the fan runs between its limits and its setpoint is %s", t.write(p, median(holding)), t.write(p, sp))
	if changes(good(values)) == 0 && len(t.looks) >= stillLooks && t.lasted() >= stillFor {
		says += fmt.Sprintf(", and did not move once in %s: the point is dead, or nothing is connected to the sensor", units.Span(t.lasted()))
	}
	return fails("%s", says), true
}

// What a value that never changes proves: a pressure that is read to a hundredth
// of the setpoint does not stand still over 20 s of a running fan; a coarser one
// may. (Engineering choice.)
const (
	stillFor   = 20 * time.Second
	stillLooks = 5
	fineCounts = 100
)

// moves judges whether a value that ought to move does.
func (t *trace) moves(p reading.Point, values, runs []float64) found {
	if changes(good(values)) > 0 {
		return found{verdict: Pass}
	}
	reads := t.write(p, runs[0])
	count, size := t.fan.Count(p), math.Abs(runs[0])
	fine := count < size/fineCounts
	if fine && len(runs) == len(t.looks) && len(runs) >= stillLooks && t.lasted() >= stillFor {
		return fails("reads %s and did not move once in %s though the fan runs: the point is dead, or the gateway repeats an old value", reads, units.Span(t.lasted()))
	}
	return notSeen("reads %s and can be, but did not move in %s: a gateway that repeats an old value would look the same; look for longer with --for", reads, units.Span(t.lasted()))
}

// velocity judges the pressure of a flow probe, which is never far below zero.
func (t *trace) velocity(values []float64) found {
	if f, bad := t.beyond(reading.VelocityPressure, values); bad {
		return f
	}
	runs := t.during(values, t.running)
	if share(runs, func(v float64) bool { return v < -2 }) > 0.5 {
		return fails("reads %s while the fan runs, and a velocity pressure is never below zero: the tubes are swapped or the sign is lost", t.write(reading.VelocityPressure, median(runs)))
	}
	if len(runs) == 0 {
		return notSeen("reads %s and can be, but the fan did not run", t.write(reading.VelocityPressure, median(good(values))))
	}
	flow := t.held(reading.Airflow, t.series[reading.Airflow])
	flow.reason = "the airflow that follows from it " + flow.reason
	return flow
}

// againstRPM judges the speed by the wheel's, which is in proportion to it where
// the rated speed is known.
func (t *trace) againstRPM(values []float64) (found, bool) {
	if t.fan.RatedRPM == 0 || t.series[reading.RPM] == nil {
		return found{}, false
	}
	var apart []float64
	for k, v := range values {
		if rpm := t.at(reading.RPM, k); !math.IsNaN(v) && rpm > 0.1*t.fan.RatedRPM {
			apart = append(apart, v-rpm/t.fan.RatedRPM)
		}
	}
	if len(apart) < 3 || math.Abs(median(apart)) <= 0.2 {
		return found{}, false
	}
	return fails("reads %s while the wheel turns at %s of its rated speed", t.write(reading.Speed, median(good(values))),
		t.units.Format(median(good(values))-median(apart), units.Ratio)), true
}

func extent(values []float64) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for _, v := range values {
		low, high = min(low, v), max(high, v)
	}
	return low, high
}
