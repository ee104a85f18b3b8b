package poller_test

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// newGateway is a gateway with the settings that a test does not care for.
func newGateway(scheme, address string) *config.Gateway {
	return &config.Gateway{ID: "alder-roof", Scheme: scheme, Address: address, Timeout: 800 * time.Millisecond,
		PollEvery: 5 * time.Second, StaleAfter: 20 * time.Second, MaxRegisters: 125, LateReply: 1600 * time.Millisecond}
}

// word is a plain 16-bit point in the input table.
func word(p reading.Point, unit, address int) config.PlacedPoint {
	return config.PlacedPoint{Point: p, Unit: unit, Table: decode.Input, Address: address,
		Encoding: decode.Encoding{Type: decode.Uint16, Bit: decode.NoBit, Scale: 1}}
}

// newFan is a fan whose pressure and speed lie side by side from base on.
func newFan(g *config.Gateway, unit, base int) *config.Fan {
	return &config.Fan{ID: reading.FanID(fmt.Sprintf("ef%d-%d", unit, base)), Gateway: g, Unit: unit, Base: base,
		PointMap: &config.PointMap{}, ProbeFactor: 1, AirDensity: 1.20138,
		Points: []config.PlacedPoint{word(reading.Pressure, unit, base), word(reading.Speed, unit, base+1)}}
}

func fleetOf(fans ...*config.Fan) *config.Fleet {
	fleet := &config.Fleet{Fans: fans}
	seen := map[reading.GatewayID]bool{}
	for _, fan := range fans {
		if !seen[fan.Gateway.ID] {
			seen[fan.Gateway.ID] = true
			fleet.Gateways = append(fleet.Gateways, fan.Gateway)
		}
	}
	return fleet
}

// own checks that every good value of a reading is one of the fan's own
// registers, as a test gateway fills them, and returns how many there were.
func own(t *testing.T, fan *config.Fan, r *reading.Reading) (good int) {
	t.Helper()
	for _, placed := range fan.Points {
		value, ok := r.Get(placed.Point)
		if !ok {
			continue
		}
		good++
		if want := float64(placed.Unit<<8 | placed.Address); value != want {
			t.Errorf("%s: %s is %04X, and its own register holds %04X", fan.ID, placed.Point, int(value), int(want))
		}
	}
	return good
}
