package field_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// monday is the first moment of the runs, in winter.
var monday = time.Date(2026, 1, 12, 0, 0, 0, 0, time.UTC)

// maps are point maps that hold every point.
const maps = `
[fleet]
poll_every = "10s"
name = "Ashlane Court"
timezone = "UTC"
[store]
dir = ""
[[buildings]]
id = "ash"
name = "Ash House"
[[gateways]]
id = "gw"
building = "ash"
url = "tcp://127.0.0.1:5020"
[pointmaps.full.points]
pressure = { table = "input", address = 0, type = "int16", scale = 0.001, unit = "inH2O" }
speed = { table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%" }
setpoint = { table = "input", address = 2, type = "int16", scale = 0.001, unit = "inH2O" }
enable = { table = "discrete", address = 0 }
running = { table = "discrete", address = 1 }
proof = { table = "discrete", address = 2 }
override = { table = "discrete", address = 3 }
fault = { table = "discrete", address = 4 }
high_speed = { table = "discrete", address = 5 }
rpm = { table = "input", address = 3, type = "uint16", unit = "rpm" }
power = { table = "input", address = 4, type = "uint16", unit = "W" }
energy = { table = "input", address = 6, type = "uint32", scale = 0.01, unit = "kWh" }
run_hours = { table = "input", address = 8, type = "uint32", unit = "min" }
restart_rise = { table = "input", address = 10, type = "int16", scale = 0.1, unit = "Pa" }
outdoor_temperature = { table = "input", address = 11, type = "int16", scale = 0.1, unit = "C" }
[pointmaps.bare.points]
pressure = { table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa" }
speed = { table = "input", address = 1, type = "uint16", scale = 0.01, unit = "V" }
[pointmaps.flow.points]
velocity_pressure = { table = "input", address = 0, type = "float32", unit = "Pa" }
speed = { table = "input", address = 2, type = "uint16", scale = 0.1, unit = "%" }
proof = { table = "discrete", address = 2 }
[pointmaps.direct.points]
airflow = { table = "input", address = 0, type = "uint16", unit = "cfm" }
speed = { table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%" }
`

// kindsOfFan are the fans that a campus is made of, in turn: keys of the fleet
// file.
var kindsOfFan = []struct{ name, keys string }{
	{"night", `pointmap = "full", duty = "bath", probe = "suction", setpoint = "-0.12 inH2O", idle_below = "20 %", run_on = "90s", restart_rise = "0.18 inH2O", riser_height = "14 m", reference = "indoor"`},
	{"bath", `pointmap = "full", duty = "bath", probe = "suction", setpoint = "-30 Pa", high_speed_at = "75 %", high_speed_off_at = "70 %", high_speed_delay = "5s"`},
	{"laundry", `pointmap = "bare", duty = "laundry", probe = "suction", setpoint = "-40 Pa", riser_height = "20 m", reference = "outdoor"`},
	{"kitchen", `pointmap = "full", duty = "kitchen", probe = "suction", setpoint = "-120 Pa", rated_power = "2.2 kW", rated_rpm = "1150 rpm"`},
	{"plenum", `pointmap = "full", duty = "garage", probe = "discharge", setpoint = "60 Pa"`},
	{"hood", `pointmap = "flow", duty = "laboratory", controls = "airflow", setpoint = "900 cfm", probe_area = "0.09 m2", probe_factor = 0.9`},
	{"general", `pointmap = "direct", duty = "general", controls = "airflow", setpoint = "0.4 m3/s"`},
	{"lead", `pointmap = "full", duty = "bath", probe = "suction", setpoint = "-25 Pa", group = "tower", role = "lead"`},
	{"standby", `pointmap = "full", duty = "bath", probe = "suction", setpoint = "-25 Pa", group = "tower", role = "standby"`},
	{"left", `pointmap = "bare", duty = "dryer_shaft", probe = "suction", setpoint = "-50 Pa", group = "shaft", role = "parallel"`},
	{"right", `pointmap = "bare", duty = "dryer_shaft", probe = "suction", setpoint = "-50 Pa", group = "shaft", role = "parallel"`},
	{"dryer", `pointmap = "bare", duty = "laundry", probe = "suction", setpoint = "-25 Pa", idle_below = "25 %", run_on = "60s", restart_rise = "35 Pa"`},
}

// campus is a fleet of n fans of all kinds; the first of a kind is called by
// its name, the next ones by name and number.
func campus(t testing.TB, n int) *config.Fleet {
	t.Helper()
	var fans strings.Builder
	for i := range n {
		k := kindsOfFan[i%len(kindsOfFan)]
		id, keys := k.name, k.keys
		if turn := i / len(kindsOfFan); turn > 0 {
			id = fmt.Sprintf("%s%d", k.name, turn+1)
			keys = strings.NewReplacer(`"tower"`, fmt.Sprintf(`"tower%d"`, turn), `"shaft"`, fmt.Sprintf(`"shaft%d"`, turn)).Replace(keys)
		}
		fans.WriteString(entry(id, i+1, keys))
	}
	return parse(t, fans.String())
}

// single is a field of one fan of the campus. Its run is the same as among all
// the others.
func single(t testing.TB, name reading.FanID, seed uint64) *field.Field {
	t.Helper()
	for i, k := range kindsOfFan {
		if k.name == string(name) {
			return field.New(parse(t, entry(k.name, i+1, k.keys)), seed, monday)
		}
	}
	t.Fatalf("there is no fan %q", name)
	return nil
}

func entry(id string, unit int, keys string) string {
	return fmt.Sprintf("[[fans]]\nid = %q\ngateway = \"gw\"\nunit = %d\n%s\n", id, unit, strings.ReplaceAll(keys, ", ", "\n"))
}

func parse(t testing.TB, fans string) *config.Fleet {
	t.Helper()
	fleet, faults := config.Parse("fleet.toml", []byte(maps+fans), nil)
	if fleet == nil || len(faults) > 0 {
		t.Fatal(faults)
	}
	return fleet
}

func newField(t testing.TB, n int, seed uint64) *field.Field {
	t.Helper()
	return field.New(campus(t, n), seed, monday)
}
