package config

import (
	"math"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// held is a fan with one point, of which a count is that much.
func held(flow bool, p reading.Point, count float64, kind decode.Type) *Fan {
	return &Fan{ControlsAirflow: flow, Setpoint: 0.5, ProbeFactor: 1, ProbeArea: 0.1, AirDensity: 1.20138,
		Points: []PlacedPoint{{Point: p, Encoding: decode.Encoding{Type: kind, Scale: -count / 10, Unit: units.Unit{Factor: 10}}}}}
}

func TestTolerance(t *testing.T) {
	for name, c := range map[string]struct {
		fan      *Fan
		setpoint float64
		want     float64
	}{
		"15 % of the setpoint":     {held(false, reading.Pressure, 0.25, decode.Int16), -60, 9},
		"5 Pa":                     {held(false, reading.Pressure, 0.25, decode.Int16), -30, 5},
		"two counts":               {held(false, reading.Pressure, 5, decode.Int16), -30, 10},
		"a register without steps": {held(false, reading.Pressure, 5, decode.Float32), -30, 5},
		"no such point":            {held(false, reading.Speed, 5, decode.Int16), -30, 5},
		"of a flow":                {held(true, reading.Airflow, 0.001, decode.Int16), 0.5, 0.075},
		"counts of a flow":         {held(true, reading.Airflow, 0.05, decode.Int16), 0.5, 0.1},
		// Q = k sqrt(VP), k = 0.1 sqrt(2 / 1.20138): 2 k^2 / (2 x 0.5).
		"counts of a velocity pressure": {held(true, reading.VelocityPressure, 1, decode.Int16), 0.1, 0.0332950},
	} {
		if got := c.fan.Tolerance().At(c.setpoint); math.Abs(got-c.want) > 1e-7 {
			t.Errorf("%s: tolerance %v, want %v", name, got, c.want)
		}
	}
}
