package field

import (
	"fmt"
	"math"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/modbus"
	"fanwarden/poller/reading"
)

// threeMaps differ in table, type, order, scale and unit, and in how fans lie
// behind their gateway.
const threeMaps = `
[pointmaps.inches]
[pointmaps.inches.points]
pressure = {table = "input", register = 30001, type = "int16", scale = 0.001, unit = "inH2O", invalid = [-32768]}
speed = {table = "input", register = 30002, type = "uint16", scale = 0.1, unit = "%%"}
high_speed = {table = "discrete", address = 0, type = "bool"}
rpm = {table = "input", address = 9, type = "uint16", unit = "rpm"}

[pointmaps.floats.points]
pressure = {table = "holding", address = 100, type = "float32", order = "CDAB", unit = "Pa"}
speed = {table = "holding", address = 102, type = "float32", order = "DCBA", unit = "ratio"}
running = {table = "holding", address = 106, type = "uint16", bit = 3}
enable = {table = "holding", address = 106, type = "uint16", bit = 0}
fault = {table = "holding", address = 106, type = "uint16", bit = 15, invert = true}
energy = {table = "holding", address = 110, type = "uint32", order = "BADC", scale = 0.1, unit = "kWh"}

[pointmaps.rows]
stride = 8
[pointmaps.rows.points]
airflow = {table = "holding", address = 0, type = "int32", order = "CDAB", unit = "m3/h"}
speed = {table = "holding", address = 2, type = "uint16", scale = 0.01, unit = "V"}
power = {table = "holding", address = 3, type = "uint16", scale = 0.01, unit = "kW"}
high_speed = {table = "coil", address = 16, stride = 1, type = "bool", invert = true}
override = {table = "coil", address = 0, shared = true, type = "bool"}

[[buildings]]
id = "b"
[[gateways]]
id = "one"
building = "b"
url = "tcp://127.0.0.1:%d"
[[gateways]]
id = "two"
building = "b"
url = "rtuovertcp://localhost:%d"
[[gateways]]
id = "three"
building = "b"
url = "udp://127.0.0.1:%d"

[[fans]]
id = "inches-1"
gateway = "one"
unit = 1
pointmap = "inches"
probe = "suction"
setpoint = "-0.12 inH2O"
[[fans]]
id = "inches-2"
gateway = "one"
unit = 2
base = 40
pointmap = "inches"
probe = "suction"
setpoint = "-0.2 inH2O"
[[fans]]
id = "floats-1"
gateway = "two"
unit = 17
pointmap = "floats"
probe = "discharge"
setpoint = "60 Pa"
[[fans]]
id = "rows-1"
gateway = "three"
unit = 1
slot = 0
pointmap = "rows"
controls = "airflow"
setpoint = "800 m3/h"
[[fans]]
id = "rows-2"
gateway = "three"
unit = 1
slot = 1
pointmap = "rows"
controls = "airflow"
setpoint = "1200 m3/h"
`

func TestMapsAreServedAsTheyAreWritten(t *testing.T) {
	fleet := fleetFrom(t, fmt.Sprintf(threeMaps, freePort(t), freePort(t), freePort(t)))
	s := serving(t, fleet)
	sessions := make(map[*config.Gateway]*modbus.Session)
	for _, g := range fleet.Gateways {
		line, err := session(t, g)
		if err != nil {
			t.Fatal(err)
		}
		sessions[g] = line
	}
	for range 5 {
		for _, fan := range fleet.Fans {
			for _, p := range fan.Points {
				checkPoint(t, s, sessions[fan.Gateway], fan, p)
			}
		}
		s.With(func(f *Field) { f.Step(7 * time.Minute) })
	}
}

// checkPoint reads one point and wants what the field means, to half a count.
func checkPoint(t *testing.T, s *Server, line *modbus.Session, fan *config.Fan, p config.PlacedPoint) {
	t.Helper()
	words := make([]uint16, p.Words())
	if err := line.Read(p.Unit, p.Table, p.Address, len(words), words); err != nil {
		t.Fatalf("%s %s: %v", fan.ID, p.Point, err)
	}
	got, q := p.Encoding.Decode(words)
	var want float64
	s.With(func(f *Field) { want, _ = f.Value(fan.ID, p.Point) })
	count := math.Abs(p.Encoding.Scale * p.Encoding.Unit.Factor)
	if q != reading.Good || math.Abs(got-want) > 0.5001*count {
		t.Errorf("%s %s is %v, %s; want %v", fan.ID, p.Point, got, q, want)
	}
}
