package poller

import (
	"fmt"
	"math"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// registers is a fan with n registers side by side, in one unit.
func registers(g *config.Gateway, unit, n int) *config.Fan {
	fan := &config.Fan{ID: reading.FanID(fmt.Sprint("ef", unit)), Gateway: g, Unit: unit}
	for i := range n {
		fan.Points = append(fan.Points, config.PlacedPoint{Point: reading.Point(i % 20), Unit: unit, Table: decode.Holding,
			Address: i, Encoding: decode.Encoding{Type: decode.Uint16, Bit: decode.NoBit, Scale: 1}})
	}
	return fan
}

// The floor of one read, in ms, computed from characters of 11 bits and t3.5
// as Modbus over Serial Line V1.02, section 2.5.1.1 has them.
func TestFloorOfOneRead(t *testing.T) {
	tests := []struct {
		baud               int
		n1, n10, n50, n125 float64
	}{
		{9600, 25.21, 45.83, 137.50, 309.38},
		{19200, 12.60, 22.92, 68.75, 154.69},
		{38400, 7.80, 12.95, 35.87, 78.84},
		{115200, 4.93, 6.65, 14.29, 28.61},
	}
	g := &config.Gateway{ID: "g"}
	for _, test := range tests {
		for n, want := range map[int]float64{1: test.n1, 10: test.n10, 50: test.n50, 125: test.n125} {
			got := PlanGateway(g, []*config.Fan{registers(g, 1, n)}).Floor(test.baud)
			if ms := float64(got) / float64(time.Millisecond); math.Abs(ms-want) > 0.0051 {
				t.Errorf("%d registers at %d baud: %.3f ms; want %.2f", n, test.baud, ms, want)
			}
		}
	}
}

func TestFloorOfALine(t *testing.T) {
	g := &config.Gateway{ID: "g"}
	var fans []*config.Fan
	for unit := 1; unit <= 32; unit++ {
		fans = append(fans, registers(g, unit, 10))
	}
	if got := PlanGateway(g, fans).Floor(9600); got < 1460*time.Millisecond || got > 1470*time.Millisecond {
		t.Errorf("32 fans of 10 registers at 9600 baud: %v; want 1.47 s", got)
	}
	without := PlanGateway(g, fans).Floor(9600)
	g.Pause = 20 * time.Millisecond
	if more := PlanGateway(g, fans).Floor(9600) - without; more != 32*20*time.Millisecond {
		t.Errorf("a pause of 20 ms adds %v to 32 requests", more)
	}
	if got := PlanGateway(g, fans).Floor(0); got != 0 {
		t.Errorf("no serial side: %v", got)
	}
}
