package report

import (
	"math"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// ASHRAE 90.1, table G3.1.3.15, and CEC 2003, Advanced Variable Air Volume System
// Design Guide, appendix 5 (static pressure held constant, "no reset"), to three
// digits. The cube is there to show how much it flatters.
func TestPartLoadCurves(t *testing.T) {
	for _, c := range []struct{ x, cube, table, noReset float64 }{
		{0.3, 0.027, 0.128, 0.172},
		{0.5, 0.125, 0.300, 0.274},
		{0.7, 0.343, 0.536, 0.461},
		{0.8, 0.512, 0.676, 0.601},
	} {
		if got := partLoadTable(c.x); math.Abs(got-c.table) > 0.0005 {
			t.Errorf("90.1 at %g: %g, want %g", c.x, got, c.table)
		}
		if got := partLoadNoReset(c.x); math.Abs(got-c.noReset) > 0.0006 {
			t.Errorf("no reset at %g: %g, want %g", c.x, got, c.noReset)
		}
		if cube := c.x * c.x * c.x; math.Abs(cube-c.cube) > 0.0005 || cube > min(c.table, c.noReset) {
			t.Errorf("the cube at %g: %g", c.x, cube)
		}
	}
	for _, curve := range []func(float64) float64{partLoadTable, partLoadNoReset} {
		if full := curve(1); math.Abs(full-1) > 0.006 {
			t.Errorf("%g at full flow", full)
		}
		if curve(1.5) != curve(1) || curve(-1) != curve(0) || curve(math.Inf(1)) != curve(1) {
			t.Error("beyond its ends a curve goes on")
		}
		for x := 0.05; x <= 1; x += 0.05 {
			if curve(x) <= curve(x-0.05) {
				t.Errorf("it falls at %g", x)
			}
		}
	}
}

// An hour at half speed of a motor of 1000 W, half an hour of rest.
func hourAtHalf(p *paper, watts float64) {
	for s := 0.0; s < 5400; s += 5 {
		speed, mode := 0.5, condition.Controlling
		if s >= 3600 {
			speed, mode = 0, condition.Idle
		}
		if r := p.keep("ef1", at(s), mode, -30, speed); watts > 0 && s < 1800 {
			r.Set(reading.Power, watts)
		}
	}
}

func TestEnergyIsARange(t *testing.T) {
	fleet := fleet()
	fleet.Fans[0].RatedPower = 1000
	var p paper
	hourAtHalf(&p, 0)
	e := made(t, Wanted{Fleet: fleet, Now: at(5400)}, &p).Fans[0].Energy
	// The table's figures of half flow, over an hour: 300 Wh and 274 Wh.
	if e.How != Estimated || e.Over != 90*time.Minute || math.Abs(e.Low-0.274e3*3600) > 2000 || math.Abs(e.High-0.300e3*3600) > 2000 ||
		e.Low != e.NoReset || e.High != e.Table {
		t.Errorf("%+v", e)
	}
}

// Half the time at 30 % and half at 80 %, where the curves lie the other way round:
// by the table 0.128 and 0.676, without reset 0.172 and 0.601.
func TestTheRangeHoldsWhereTheCurvesCross(t *testing.T) {
	fleet := fleet()
	fleet.Fans[0].RatedPower = 1000
	var p paper
	for s := 0.0; s < 7200; s += 5 {
		p.keep("ef1", at(s), condition.Controlling, -30, 0.3+math.Floor(s/3600)/2)
	}
	e := made(t, Wanted{Fleet: fleet, Now: at(7200)}, &p).Fans[0].Energy
	for what, c := range map[string][2]float64{"low": {e.Low, 0.128 + 0.601}, "high": {e.High, 0.172 + 0.676},
		"table": {e.Table, 0.128 + 0.676}, "no reset": {e.NoReset, 0.172 + 0.601}} {
		if got := c[0] / 3.6e6; math.Abs(got-c[1]) > 0.0012 {
			t.Errorf("%s is %g kWh, want %g", what, got, c[1])
		}
	}
}

func TestMeasuredWattsAreTaken(t *testing.T) {
	fleet := fleet()
	fleet.Fans[0].RatedPower = 1000
	var p paper
	hourAtHalf(&p, 250)
	e := made(t, Wanted{Fleet: fleet, Now: at(5400)}, &p).Fans[0].Energy
	if e.How != Measured || e.Over != 30*time.Minute || e.Low != 250*1800 || e.High != e.Low || e.Table != 0 || e.NoReset != 0 {
		t.Errorf("%+v", e)
	}
}

func TestNoEnergyIsGuessed(t *testing.T) {
	var p paper
	hourAtHalf(&p, 0)
	if e := made(t, Wanted{}, &p).Fans[0].Energy; e != (Energy{}) {
		t.Errorf("of a motor of which nothing is known: %+v", e)
	}
	fleet := fleet()
	fleet.Fans[0].RatedPower = 1000
	if e := made(t, Wanted{Fleet: fleet}, &paper{}).Fans[0].Energy; e != (Energy{}) {
		t.Errorf("of a month without readings: %+v", e)
	}
	for m, want := range map[Method]string{NotKnown: "not_known", Measured: "measured", Estimated: "estimated"} {
		if m.String() != want {
			t.Errorf("%d is %q", m, m)
		}
	}
}
