package field

import "math"

// Air and its fans. Every formula is for standard air (0.075 lb/ft3,
// 1.20138 kg/m3) unless it takes a density.

// standardAir is the density of standard air in kg/m3.
const standardAir = 1.20138

// still is the speed under which a wheel is taken to stand still.
const still = 0.02

// wheel is a fan on its curve, with the resistance of its own outlet (damper,
// curb and cap).
//
// The pressure falls with the square of the flow and scales by the fan laws
// (flow with the speed N, pressure with N^2, power with N^3; ASHRAE and AMCA
// texts):
//
//	dp = N^2 dp0 (1 - (q / (N q0))^2) = N^2 dp0 - (dp0 / q0^2) q^2
//
// so that speed moves the curve up and down and leaves its slope as it is.
type wheel struct {
	shutoff float64 // Pa at full speed and no flow: dp0
	curve   float64 // Pa s2/m6 within the wheel: dp0 / q0^2
	outlet  float64 // Pa s2/m6 behind it (before it, for one that blows into its duct)
	closed  float64 // m3/s at 1 Pa that pass it at a standstill, its damper nearly closed
	rated   float64 // W that its motor takes at full speed and half its free flow
	rpm     float64 // at full speed
}

// pressure returns what the wheel adds at a speed (ratio) and a flow (m3/s).
func (w *wheel) pressure(speed, flow float64) float64 {
	return w.shutoff*speed*speed - w.curve*flow*flow
}

// inAir is the wheel in air of another density (kg/m3): at the same flow the
// pressure and the power go with the density (fan laws).
func (w wheel) inAir(density float64) wheel {
	share := density / standardAir
	w.shutoff, w.curve, w.outlet, w.rated = w.shutoff*share, w.curve*share, w.outlet*share, w.rated*share
	return w
}

// cut is the wheel with only a share of its pressure. Its free flow goes with
// the root of the share; at the same efficiency its power goes with the product
// of both, share^1.5.
func (w wheel) cut(share float64) wheel {
	w.shutoff *= share
	w.rated *= share * math.Sqrt(share)
	return w
}

// free returns the flow, in m3/s at full speed, at which the wheel adds
// nothing: q0.
func (w *wheel) free() float64 { return math.Sqrt(w.shutoff / w.curve) }

// conductance returns the m3/s that pass wheel and outlet at 1 Pa. The damper
// opens over the first tenth of speed.
func (w *wheel) conductance(speed float64) float64 {
	open := 1 / math.Sqrt(w.curve+w.outlet)
	return w.closed + (open-w.closed)*min(1, speed*10)
}

// airPower is the power given to the air, in W: flow times pressure. In the
// trade's units hp = cfm x inH2O / 6343.3.
func airPower(flow, pressure float64) float64 { return flow * pressure }

// Shares of the power that a wheel takes. (Engineering estimates: a fan takes
// some power to churn air at no flow, and its drive takes some standing still.)
const (
	churn      = 0.35 // of the rated power, at full speed and no flow
	driveWatts = 6.0
)

// power returns the electrical power, in W. What goes to the wheel follows the
// fan laws: churning with N^3, and the air power, which does so by itself.
func (w *wheel) power(speed, flow float64) float64 {
	if speed < still {
		return 0
	}
	half := w.free() / 2
	best := airPower(half, w.pressure(1, half))
	air := max(0, airPower(flow, w.pressure(speed, flow)))
	return driveWatts + w.rated*(churn*speed*speed*speed+(1-churn)*air/best)
}

// velocityPressure is the pressure, in Pa, of air of a density (kg/m3) that
// moves at a velocity (m/s): rho V^2 / 2. In the trade's units and standard
// air V = 4005 sqrt(VP).
func velocityPressure(density, velocity float64) float64 {
	return density * velocity * velocity / 2
}
