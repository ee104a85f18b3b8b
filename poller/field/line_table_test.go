package field

import (
	"bytes"
	"math"
	"testing"
	"time"

	"fanwarden/poller/reading"
)

const tableFleet = `
[pointmaps.rows]
stride = 4
[pointmaps.rows.points.pressure]
table = "holding"
address = 0
type = "int16"
scale = 0.1
unit = "Pa"
[pointmaps.rows.points.speed]
table = "holding"
address = 1
type = "uint16"
scale = 0.1
unit = "%"
[pointmaps.rows.points.heard_ago]
table = "holding"
address = 2
type = "uint16"
scale = 1
unit = "s"
[pointmaps.own.points.heartbeat]
table = "input"
address = 0
type = "uint16"
[pointmaps.own.points.heard_ago]
table = "input"
address = 1
type = "uint16"
scale = 1
unit = "s"
[pointmaps.own.points.outdoor_temperature]
table = "input"
address = 2
type = "int16"
scale = 0.1
unit = "C"
[[buildings]]
id = "b"
[[gateways]]
id = "g"
building = "b"
url = "tcp://127.0.0.1:1502"
pointmap = "own"
unit = 9
[[fans]]
id = "first"
gateway = "g"
unit = 1
slot = 0
pointmap = "rows"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "second"
gateway = "g"
unit = 1
slot = 1
pointmap = "rows"
probe = "suction"
setpoint = "-30 Pa"
`

// A gateway that keeps its fans in one table answers for one that it has lost:
// with what it read last, while the time since then grows.
func TestALostFanInTheGatewaysOwnTable(t *testing.T) {
	l, f := lineOf(fleetFrom(t, tableFleet), 1)
	before := read(l, 1, 7)
	f.Put(Fault{Fan: "second", Kind: SilentUnit, From: noon})
	moved := false
	for range 10 {
		f.Step(30 * time.Second)
		now := read(l, 1, 7)
		if !bytes.Equal(now[10:14], before[10:14]) {
			t.Fatalf("the lost fan shows % X after % X", now[10:14], before[10:14])
		}
		moved = moved || !bytes.Equal(now[2:6], before[2:6])
	}
	if !moved {
		t.Error("the other fan stands still")
	}
	now := read(l, 1, 7)
	if first, second := word(now, 2+4), word(now, 2+12); first != 0 || second != 300 {
		t.Errorf("heard %d s and %d s ago; want 0 and 300", first, second)
	}
}

// What a gateway with a table of its own shows of units that it has lost is
// what it held when it lost them, whether anyone had asked for it or not.
func TestATableHoldsWhatItHadAtTheOnset(t *testing.T) {
	l, f := lineOf(fleetFrom(t, tableFleet), 1)
	onset := noon.Add(10 * time.Minute)
	f.Put(Fault{Gateway: "g", Kind: TrunkCut, From: onset})
	f.Step(onset.Sub(noon) - time.Second)
	live, _ := f.Value("second", reading.Pressure)
	f.Step(20 * time.Minute)
	late, _ := f.Value("second", reading.Pressure)
	if math.Abs(late-live) < 0.2 {
		t.Fatalf("the pressure has not moved from %v", live)
	}
	for range 2 {
		if shown := float64(int16(word(read(l, 1, 7), 2+8))) / 10; math.Abs(shown-live) > 0.051 {
			t.Errorf("it shows %.1f Pa; at the onset it was %.2f, and it is %.2f now", shown, live, late)
		}
	}
	f.Clear(Fault{Gateway: "g", Kind: TrunkCut})
	if shown := float64(int16(word(read(l, 1, 7), 2+8))) / 10; math.Abs(shown-late) > 0.051 {
		t.Errorf("it shows %.1f Pa after the trunk is mended; it is %.2f", shown, late)
	}
}

func TestWhatAGatewaySaysOfItself(t *testing.T) {
	l, f := lineOf(fleetFrom(t, tableFleet), 1)
	own := func() []byte {
		pdu, _ := l.answer(request{unit: 9, pdu: []byte{readInput, 0, 0, 0, 3}})
		return pdu[2:]
	}
	before := own()
	f.Step(time.Second)
	now := own()
	if word(now, 0) == word(before, 0) {
		t.Errorf("the heartbeat stands still at %d", word(now, 0))
	}
	outdoor, _ := f.Value("first", reading.OutdoorTemperature)
	if shown := float64(int16(word(now, 4))) / 10; math.Abs(shown-outdoor) > 0.051 || word(now, 2) != 0 {
		t.Errorf("outdoors %.1f C, last heard %d s ago; want %.2f and 0", shown, word(now, 2), outdoor)
	}
	f.Put(Fault{Gateway: "g", Kind: TrunkCut, From: f.Now()})
	f.Step(20 * time.Second)
	if now := own(); word(now, 2) != 20 {
		t.Errorf("with its trunk cut it heard a unit %d s ago; want 20", word(now, 2))
	}
	f.Put(Fault{Gateway: "g", Kind: RepeatsOld})
	beat := word(own(), 0)
	f.Step(20 * time.Second)
	if now := word(own(), 0); now != beat {
		t.Errorf("a gateway that repeats has a heartbeat: %d, %d", beat, now)
	}
}

// A turnover exercise writes force_speed and force_on; nothing else can be
// written.
func TestAForcedSpeed(t *testing.T) {
	text := `
[pointmaps.forced.points]
pressure = {table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa"}
speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
force_speed = {table = "holding", address = 5, type = "uint16", scale = 0.1, unit = "%"}
force_on = {table = "coil", address = 3, type = "bool"}
[[buildings]]
id = "b"
[[gateways]]
id = "g"
building = "b"
url = "tcp://127.0.0.1:1502"
[[fans]]
id = "f"
gateway = "g"
unit = 1
pointmap = "forced"
probe = "suction"
setpoint = "-30 Pa"
`
	l, f := lineOf(fleetFrom(t, text), 1)
	for _, test := range []struct{ asked, want string }{
		{"06 0005 028A", "06 0005 028A"},         // 65.0 %
		{"10 0005 0001 02 028A", "10 0005 0001"}, // the same as a block
		{"05 0003 FF00", "05 0003 FF00"},         // take it
		{"0F 0003 0001 01 01", "0F 0003 0001"},   // the same as a block
		{"03 0005 0001", "03 02 028A"},           // it is read back
		{"06 0001 0001", "86 01"},                // no output
		{"10 0004 0002 04 0000 028A", "90 01"},   // one output of two
		{"05 0000 FF00", "85 01"},                // no output
		{"0F 0003 0002 01 03", "8F 01"},          // one output of two
	} {
		if got, _ := l.answer(request{unit: 1, pdu: octets(test.asked)}); !bytes.Equal(got, octets(test.want)) {
			t.Errorf("%s: % X; want %s", test.asked, got, test.want)
		}
	}
	f.Step(5 * time.Minute)
	if speed, _ := f.Value("f", reading.Speed); math.Abs(speed-0.65) > 0.001 {
		t.Errorf("forced to 0.65 it runs at %.3f", speed)
	}
}

// A gateway of which the fleet file says that it zero-fills what it has lost
// does so.
func TestAGatewayThatIsKnownToFillWithZeros(t *testing.T) {
	fleet := wideFleet(t, "tcp", "", 2)
	fleet.PointMaps[0].AbsentIfAllZero = true
	l, f := lineOf(fleet, 1)
	f.Put(Fault{Fan: "f1", Kind: SilentUnit})
	if got := read(l, 1, 2); !bytes.Equal(got, octets("03 04 0000 0000")) {
		t.Errorf("the silent unit: % X", got)
	}
	if got := read(l, 2, 1); bytes.Equal(got, octets("03 02 0000")) {
		t.Errorf("the other unit: % X", got)
	}
}
