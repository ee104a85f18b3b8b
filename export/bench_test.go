package export

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// BenchmarkBoard lays a cycle of 10,000 fans behind 200 gateways on the board,
// with a snapshot each tenth of them.
func BenchmarkBoard(b *testing.B) {
	fleet := &config.Fleet{}
	readings := make([][]reading.Reading, 200)
	for g := range readings {
		gateway := &config.Gateway{ID: reading.GatewayID(fmt.Sprint("g", g)), PollEvery: 5 * time.Second, StaleAfter: 20 * time.Second}
		fleet.Gateways = append(fleet.Gateways, gateway)
		for f := range 50 {
			fan := &config.Fan{ID: reading.FanID(fmt.Sprint("ef", g, "-", f)), Gateway: gateway}
			fleet.Fans = append(fleet.Fans, fan)
			r := answered(fan.ID, epoch, -30)
			r.Gateway = gateway.ID
			readings[g] = append(readings[g], *r)
		}
	}
	words := make([][]uint16, 50)
	for i := range words {
		words[i] = make([]uint16, 12)
	}
	board, at := NewBoard(fleet, "", epoch), epoch
	b.ReportAllocs()
	for b.Loop() {
		at = at.Add(5 * time.Second)
		for g, gateway := range fleet.Gateways {
			board.SetReadings(readings[g], words)
			for i := range readings[g] {
				board.SetFanState(readings[g][i].Fan, condition.Controlling, nil, nil)
			}
			board.CountCycle(gateway.ID, at, time.Second, 0, readings[g])
			if g%20 == 0 {
				board.Publish(at)
			}
		}
	}
}
