package field

import (
	"math"
	"testing"
)

const (
	inch = 249.08891   // Pa: conventional inch of water, NIST SP 811 appendix B.8
	cfm  = 4.719474e-4 // m3/s: NIST SP 811 appendix B.8
	hp   = 745.69987   // W
	fpm  = 0.3048 / 60 // m/s
	foot = 0.3048      // m
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.Abs(got-want) > tolerance*math.Abs(want) {
		t.Errorf("%s is %.6g, want %.6g", what, got, want)
	}
}

func testWheel() *wheel {
	w := &wheel{shutoff: 500, curve: 700, outlet: 500, closed: 0.001}
	w.finish()
	return w
}

// The fan laws (ASHRAE and AMCA texts; the ratios from memory): flow with the
// speed, pressure with its square, power with its cube.
func TestFanLaws(t *testing.T) {
	w := testWheel()
	flow := 0.6 * w.free()
	for _, law := range []struct{ speed, pressure, power float64 }{
		{0.5, 0.25, 0.125}, {0.8, 0.64, 0.512}, {1.1, 1.21, 1.331},
	} {
		near(t, "pressure", w.pressure(law.speed, law.speed*flow)/w.pressure(1, flow), law.pressure, 1e-12)
		near(t, "power of the wheel", (w.power(law.speed, law.speed*flow)-driveWatts)/(w.power(1, flow)-driveWatts), law.power, 1e-12)
	}
}

// 2000 cfm at 0.50 inH2O with 0.400 hp and 1000 rpm become, at 800 rpm, 1600
// cfm at 0.320 inH2O with 0.2048 hp (computed from the fan laws).
func TestFanLawsByExample(t *testing.T) {
	flow := 2000 * cfm
	curve := 0.5 * inch / (flow * flow)
	w := &wheel{shutoff: inch, curve: curve, rpm: 1000}
	half := w.free() / 2
	atHalf := airPower(half, w.pressure(1, half))
	w.rated = 0.4 * hp / (churn + (1-churn)*airPower(flow, 0.5*inch)/atHalf)
	near(t, "pressure at 1000 rpm", w.pressure(1, flow)/inch, 0.50, 1e-9)
	near(t, "power at 1000 rpm", (w.power(1, flow)-driveWatts)/hp, 0.400, 1e-9)
	near(t, "pressure at 800 rpm", w.pressure(0.8, 1600*cfm)/inch, 0.320, 1e-9)
	near(t, "power at 800 rpm", (w.power(0.8, 1600*cfm)-driveWatts)/hp, 0.2048, 1e-9)
}

// Air of 0.0625 rather than 0.075 lb/ft3: the same flow, pressure and power
// times 0.8333 (fan laws; computed).
func TestThinAir(t *testing.T) {
	w := testWheel()
	thin := w.inAir(standardAir * 0.0625 / 0.075)
	flow := 0.5 * w.free()
	near(t, "free flow", thin.free(), w.free(), 1e-12)
	near(t, "pressure", thin.pressure(1, flow)/w.pressure(1, flow), 0.8333, 1e-4)
	near(t, "power", (thin.power(1, flow)-driveWatts)/(w.power(1, flow)-driveWatts), 0.8333, 1e-4)
}

// A fan with a quarter of its pressure moves half of its free flow; at half of
// that it takes an eighth of its rated power (0.25^1.5; computed).
func TestAnUndersizedFanTakesThePowerOfItsSmallerWheel(t *testing.T) {
	u := unit{wheel: *testWheel(), speed: 1}
	u.flow = u.wheel.free() / 2
	u.meter()
	near(t, "power of the healthy fan", (u.watts-driveWatts)/u.wheel.rated, 1, 1e-12)
	u.troubles[undersized] = trouble{on: true, size: 0.25}
	small := u.built()
	near(t, "free flow", small.free(), u.wheel.free()/2, 1e-12)
	u.flow = small.free() / 2
	u.meter()
	near(t, "power", (u.watts-driveWatts)/u.wheel.rated, 0.125, 1e-12)
}

// hp = cfm x inH2O / 6343.3 (exact for the conventional inch; the trade's 6356
// is from memory and within 0.3 %).
func TestAirPower(t *testing.T) {
	near(t, "air power of 2000 cfm at 0.5 in.", airPower(2000*cfm, 0.5*inch)/hp, 2000*0.5/6343.3, 1e-5)
	near(t, "air power by the trade's figure", airPower(2000*cfm, 0.5*inch)/hp, 2000*0.5/6356, 3e-3)
}

// V = 4005 sqrt(VP) in fpm and inches of water, standard air: allow 0.1 %.
func TestVelocityPressure(t *testing.T) {
	for v, vp := range map[float64]float64{1000: 0.0623, 2000: 0.2494, 2500: 0.3897} {
		near(t, "velocity pressure", velocityPressure(standardAir, v*fpm)/inch, vp, 2e-3) // 0.1 % of the velocity
		near(t, "velocity", v, 4005*math.Sqrt(velocityPressure(standardAir, v*fpm)/inch), 1e-3)
	}
	p := newFlowProbe(0.9, 0.09, standardAir)
	for _, flow := range []float64{0.05, 0.4, 1.1} {
		near(t, "flow of a probe", p.flow(p.pressure(flow)), flow, 1e-12)
		near(t, "pressure of a probe", p.pressure(flow), velocityPressure(standardAir, flow/(0.9*0.09)), 1e-12)
	}
	if p.pressure(-0.4) >= 0 || p.flow(-3) != 0 {
		t.Error("air that flows backwards reads forwards")
	}
}

// Leakage: Q = C dp^0.65 (ASTM E779, ASHRAE 119); doubling the pressure gives
// 1.569 times the flow. System: dp ~ Q^2.
func TestLeakageAndSystem(t *testing.T) {
	near(t, "leakage at twice the pressure", leakFlow(0.01, 60)/leakFlow(0.01, 30), 1.569, 5e-4)
	if leakFlow(0.01, -30) != -leakFlow(0.01, 30) {
		t.Error("leakage has no sign")
	}
	one, _ := orifice(0.02, 25, 1)
	four, _ := orifice(0.02, 100, 1)
	near(t, "flow at four times the pressure", four/one, 2, 1e-12)
	back, _ := orifice(0.02, -25, flapShare)
	near(t, "flow through a closed flap", back/one, -flapShare, 1e-12)
}

// ASHRAE Handbook, Fundamentals, chapter 16: dp = 0.0342 p h (1/To - 1/Ti); the
// examples are computed from it.
func TestStackEffect(t *testing.T) {
	celsius := func(f float64) float64 { return (f - 32) / 1.8 }
	for _, c := range []struct{ out, in, feet, want, tolerance float64 }{
		{20, 70, 100, 37.4, 2e-3}, {20, 70, 100, 0.150 * inch, 3e-3}, {0, 70, 300, 164, 2e-3}, {95, 75, 100, -0.052 * inch, 1.2e-2},
	} {
		near(t, "draught", stackEffect(c.feet*foot, celsius(c.out), celsius(c.in)), c.want, c.tolerance)
	}
}

// Half rho U^2: a wind of 10 m/s is 60.1 Pa (computed).
func TestWind(t *testing.T) { near(t, "wind", velocityPressure(standardAir, 10), 60.1, 1e-3) }
