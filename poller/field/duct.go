package field

import "math"

// leakExponent is the exponent of the flow through cracks, Q = C dp^n
// (ASTM E779, ASHRAE 119: 0.65 where nothing better is known).
const leakExponent = 0.65

// laminar is the pressure, in Pa, under which every flow is taken to go with
// the pressure itself: crack and orifice laws have no finite slope at zero.
const laminar = 1.0

// leakFlow is the flow, in m3/s, through cracks that pass c at 1 Pa. It has
// the sign of the pressure.
func leakFlow(c, dp float64) float64 {
	if math.Abs(dp) < laminar {
		return c * dp
	}
	return math.Copysign(c*math.Exp(leakExponent*math.Log(math.Abs(dp))), dp)
}

// leakSlope is the derivative of leakFlow by the pressure.
func leakSlope(c, dp, flow float64) float64 {
	if math.Abs(dp) < laminar {
		return c
	}
	return leakExponent * flow / dp
}

// orifice is the flow through a resistance that passes c at 1 Pa, dp ~ Q^2,
// and its derivative. Below zero a flap is nearly closed: share of c passes.
func orifice(c, dp, share float64) (flow, slope float64) {
	if dp < 0 {
		flow, slope = orifice(c*share, -dp, 1)
		return -flow, slope
	}
	if dp < laminar {
		return c * dp, c
	}
	flow = c * math.Sqrt(dp)
	return flow, flow / (2 * dp)
}

// flapShare is what a closed flap lets back of what it passes open.
const flapShare = 0.03

// duct is a riser with what goes in and out of it. Pressures are seen from
// demand and against the rooms: they rise as branches push in, and the fan
// lowers them. For a duct that its fan blows into everything is mirrored, so
// that one balance serves both.
type duct struct {
	leak   float64 // m3/s at 1 Pa, now
	branch float64 // m3/s at 1 Pa of all branches that are open
	push   float64 // Pa that the branch fans give at no flow; 0 for plain openings
	level  float64 // Pa: what solves the balance
}

// outflow is one fan's part in the balance.
type outflow struct {
	head        float64 // Pa that it adds at no flow
	conductance float64
	back        float64 // share of the conductance that passes backwards
}

// solve finds the pressure at which what leaks and is pushed in equals what
// the fans take out (into a pressure `outside`), by Newton's method kept inside
// a bracket, which is halved where Newton's steps do not shrink. The balance
// falls steadily with the pressure, so there is one solution; the last one is
// the first guess.
func (d *duct) solve(fans []outflow, outside float64) {
	low, high, u := -beyond, beyond, d.level
	last := 2 * beyond
	for range 60 {
		surplus, slope := d.balance(fans, outside, u)
		if surplus > 0 {
			low = u
		} else {
			high = u
		}
		next := u + surplus/slope
		if next < low || next > high || math.Abs(next-u) > last/2 {
			next = (low + high) / 2
		}
		last = math.Abs(next - u)
		u = next
		if last < 0.005 {
			break
		}
	}
	d.level = u
}

// beyond is more than any riser's pressure, in Pa.
const beyond = 1e5

// balance returns what flows in beyond what flows out at a pressure, and by
// how much that falls with each Pa.
func (d *duct) balance(fans []outflow, outside, u float64) (surplus, slope float64) {
	in := leakFlow(d.leak, -u)
	slope = leakSlope(d.leak, -u, in)
	pushed, by := orifice(d.branch, d.push-u, flapShare)
	surplus, slope = in+pushed, slope+by
	for i := range fans {
		f := &fans[i]
		out, by := orifice(f.conductance, f.head+u-outside, f.back)
		surplus, slope = surplus-out, slope+by
	}
	return surplus, slope
}
