package turnover

import (
	"math"

	"fanwarden/poller/reading"
)

// least is the smallest reading whose sign means something: a fifth of the
// setpoint, at least 5 Pa. (Engineering choice: draught and a zero error stay
// below it.)
func least(sp float64) float64 { return max(5, 0.2*math.Abs(sp)) }

// byHand is how a person tells a sign that the point map has lost from tubes that
// are swapped (the zero and the known pressure of check value G2).
const byHand = "take both tubes off, where it must read 0, and blow gently into the high port: the controller's display must rise, and what is read here with it, or the sign is lost in the point map"

// sign judges the sign of a pressure while the fan runs, and says which of three it
// is: the probe's side in the fleet file, the sign in the point map, or the tubes.
// What the controller does with the reading tells them apart: it holds a setpoint
// only with a sign that it reads rightly itself, and runs to its top with a wrong one.
func (t *trace) sign(p reading.Point, runs []float64, sp float64) (found, bool) {
	if p != reading.Pressure {
		return found{}, false
	}
	want := -1.0
	side, other := "suction", "discharge"
	if t.fan.ProbeSide() == "discharge" {
		want, side, other = 1, other, side
	}
	threshold := 5.0
	if !math.IsNaN(sp) {
		threshold = least(sp)
	}
	if share(runs, func(v float64) bool { return v*want < -threshold }) <= 0.5 {
		return found{}, false
	}
	is, own := median(runs), median(good(t.told))
	reads := t.write(p, is)
	mostly := func(state int) bool {
		n := 0
		for k := range t.looks {
			if t.state(k) == state {
				n++
			}
		}
		return n*2 > len(runs)
	}
	holds, atTop := mostly(between), mostly(top)
	mirrored := !math.IsNaN(sp) && math.Abs(is+sp) < 0.5*math.Abs(sp)
	switch {
	case own*want < 0 && math.Abs(is-own) < 0.5*math.Abs(own):
		return failsClearly("reads %s while the fan runs and holds its own setpoint of %s: its probe is on the %s side, and the fleet file says probe = %q. Correct probe and setpoint there; only if the controller's display shows %s is the sign of both lost in the point map instead",
			reads, t.write(reading.Setpoint, own), other, side, t.write(p, -is)), true
	case holds && mirrored && own*want > 0:
		return fails("reads %s while the fan runs and holds its own setpoint of %s, so its controller reads the other sign: the sign is lost or turned in the point map", reads, t.write(reading.Setpoint, own)), true
	case holds && mirrored:
		return fails("reads %s while the fan runs between its limits, and a probe on %s reads %s zero: either the sign is lost in the point map, or the probe is on the %s side and the fleet file is wrong; the controller's display tells, which then shows %s as well",
			reads, side, aboveOrBelow(want), other, reads), true
	case atTop && math.Abs(is) > 1.2*math.Abs(sp): // with the right sign it would slow down
		return failsClearly("reads %s, and a probe on %s reads %s zero while the fan runs; it stands at its top speed with that, far past setpoint, so its controller reads the same: the tubes are swapped, or the probe's side is set wrong in the controller. To tell: %s",
			reads, side, aboveOrBelow(want), byHand), true
	}
	return fails("reads %s while the fan runs, and a probe on %s reads %s zero: the sign in the point map, the tubes or the probe's side is wrong. To tell: %s",
		reads, side, aboveOrBelow(want), byHand), true
}

func aboveOrBelow(want float64) string {
	return map[bool]string{true: "above", false: "below"}[want > 0]
}

// mirror judges a setpoint that is what the fleet file says but for its sign, as
// the pressure is: then the two are right or wrong together.
func (t *trace) mirror(p reading.Point, v, expected, tolerance float64) bool {
	if p != reading.Setpoint || t.fan.ControlsAirflow || math.Abs(v+expected) > tolerance {
		return false
	}
	is := median(t.during(t.series[reading.Pressure], t.running))
	return math.Abs(is-v) < 0.5*math.Abs(v)
}
