package rules

import (
	"math"
	"testing"
	"time"

	"fanwarden/poller/reading"
)

// The fan of the plant makes 150 Pa at full speed by the fan laws; a stop and a
// forced step show it, at any polling.
func TestTheGainIsLearnedFromStopsAndForcedSteps(t *testing.T) {
	for _, every := range polls {
		fleet := fleetPolled(every)
		p := newPlant(fleet.Fans[0])
		p.push, p.gusts = restless(15), 1.5
		p.override = func(at time.Duration) bool { return at%time.Hour > 50*time.Minute }
		tr := newTrace(t, fleet)
		tr.live(5*time.Hour, p)
		r := &tr.e.fans["ef1"].response
		if !r.measured() || math.Abs(r.gain()-150) > 20 {
			t.Errorf("every %s: gain %.0f Pa of %d firm moves, want about 150", every, r.gain(), r.firm)
		}
	}
}

// While a loop is closed, pressure and speed go together as demand and the
// controller want: a gain learned from it would be negative or nothing. (The
// trap of closed-loop identification; Soderstrom and Stoica; Ljung.)
func TestNothingIsMeasuredInTheClosedLoop(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	p := newPlant(tr.fleet.Fans[0])
	p.push, p.gusts = restless(40), 4
	tr.live(6*time.Hour, p)
	r := &tr.e.fans["ef1"].response
	if r.measured() || r.learned.begun {
		t.Errorf("measured %+v", r.learned)
	}
	if r.held <= 30 || r.held > 150 {
		t.Errorf("bound %.0f Pa, want more than the setpoint and no more than the 150 Pa that the fan makes", r.held)
	}
}

func TestTheGainOfAFlowGoesWithTheSpeed(t *testing.T) {
	fleet := testFleet(1)
	f := fleet.Fans[0]
	f.ControlsAirflow, f.Setpoint, f.Points = true, 0.5, placed(0.001, reading.Airflow, reading.Speed)
	tr := newTrace(t, fleet)
	flow := func(speed float64) values { return values{reading.Speed: speed, reading.Airflow: speed} }
	tr.steady(10*time.Minute, flow(0.5))
	tr.steady(5*time.Minute, flow(1).with(reading.Override, 1))
	if r := &tr.e.fans["ef1"].response; !r.measured() || math.Abs(r.gain()-1) > 0.05 {
		t.Errorf("gain %.2f m3/s, want 1", r.gain())
	}
}

// Check values: least squares through (0,1), (1,3), (2,5), (3,7) is 1 + 2x; with the
// last at 8 the slope is 2.3 (computed by hand: Sxy 11.5, Sxx 5) and the residual
// sum 0.3, so the standard error is sqrt(0.15/5).
func TestLine(t *testing.T) {
	var exact, bent line
	for i, y := range []float64{1, 3, 5, 7} {
		exact.add(float64(i), y)
		if i == 3 {
			y = 8
		}
		bent.add(float64(i), y)
	}
	if slope, margin := exact.slope(0); math.Abs(slope-2) > 1e-9 || margin > 1e-6 {
		t.Errorf("slope %g, margin %g", slope, margin)
	}
	if slope, margin := bent.slope(0); math.Abs(slope-2.3) > 1e-9 || math.Abs(margin-math.Sqrt(0.15/5)) > 1e-9 {
		t.Errorf("slope %g, margin %g", slope, margin)
	}
	var still line
	still.add(1, 1)
	still.add(1, 2)
	if _, margin := still.slope(1); !math.IsInf(margin, 1) {
		t.Errorf("margin %g where the speed did not move", margin)
	}
}
