package main

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

func sorted(all []string) []string { slices.Sort(all); return all }

// fleetOf writes a fleet file for one gateway with the four fans that every
// peer serves. The holds are short because the test waits for them in real
// time; nothing else differs from a fleet in service.
func fleetOf(t *testing.T, url string) string {
	t.Helper()
	return writeFleet(t, configured(url))
}

func configured(url string) string { return fmt.Sprintf(fourFans, url) }

func writeFleet(t *testing.T, text string) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "fleet.toml")
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}

const fourFans = `
[fleet]
name = "Test campus"
poll_every = "250ms"
stale_after = "1s"
[web]
listen = "127.0.0.1:0"

[rules.pinned_at_max]
hold = "1s"
[rules.stuck_idle]
hold = "1s"
[rules.inverted_sign]
hold = "1s"
[rules.controller_silent]
hold = "1s"
[rules.gateway_down]
hold = "1s"

[pointmaps.riser]
[pointmaps.riser.points.pressure]
table = "input"
address = 0
type = "int16"
scale = 0.1
unit = "Pa"
[pointmaps.riser.points.speed]
table = "input"
address = 1
type = "uint16"
scale = 0.1
unit = "%%"
[pointmaps.riser.points.high_speed]
table = "discrete"
address = 0

[[buildings]]
id = "north"
[[gateways]]
id = "roof"
building = "north"
url = "%s"
timeout = "200ms"

[[fans]]
id = "healthy"
gateway = "roof"
unit = 1
pointmap = "riser"
probe = "suction"
setpoint = "-30 Pa"
idle_below = "20 %%"
restart_rise = "45 Pa"
start_delay = "1s"
[[fans]]
id = "pinned"
gateway = "roof"
unit = 2
pointmap = "riser"
probe = "suction"
setpoint = "-30 Pa"
start_delay = "1s"
[[fans]]
id = "idle"
gateway = "roof"
unit = 3
pointmap = "riser"
probe = "suction"
setpoint = "-30 Pa"
idle_below = "20 %%"
restart_rise = "45 Pa"
start_delay = "1s"
[[fans]]
id = "inverted"
gateway = "roof"
unit = 4
pointmap = "riser"
probe = "suction"
setpoint = "-30 Pa"
start_delay = "1s"
`

// setFan puts a fan's values into a peer: pascals, percent, contact.
func setFan(p *peer, unit int, pressure, speed float64, contact int) {
	p.t.Helper()
	p.do("set %d input 0 %d", unit, uint16(int16(pressure*10)))
	p.do("set %d input 1 %d", unit, int(speed*10))
	p.do("set %d discrete 0 %d", unit, contact)
}

func setFourFans(p *peer) {
	p.t.Helper()
	setFan(p, 1, -31, 55, 0)
	setFan(p, 2, -8, 100, 1)
	setFan(p, 3, 22, 0, 0)
	setFan(p, 4, 180, 100, 1)
}

const threeWrong = "idle stuck_idle, inverted inverted_sign, pinned pinned_at_max"

func TestRunFlagsThreeIllFansAndNoHealthyOne(t *testing.T) {
	for name, start := range map[string]func(t *testing.T) *peer{
		"pymodbus":  func(t *testing.T) *peer { return startPymodbus(t, "tcp") },
		"libmodbus": startLibmodbus,
	} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			field := start(t)
			setFourFans(field)
			d := startDaemon(t, fleetOf(t, "tcp://127.0.0.1:"+field.port))
			for _, fan := range []string{"pinned", "idle", "inverted"} {
				if e := d.await(event{Event: "raised"}); e.Summary == "" || e.Fan == "healthy" {
					t.Errorf("for %s: %+v", fan, e)
				}
			}
			want(t, "what stands", threeWrong, d.active)
			checkValues(t, d)

			field.do("close")
			d.await(event{Event: "raised", Gateway: "roof", Condition: "gateway_down"})
			want(t, "what stands", "gateway_down, "+threeWrong, d.active)
			checkNothingStale(t, d)

			field.do("open")
			d.await(event{Event: "cleared", Gateway: "roof", Condition: "gateway_down"})
			want(t, "what stands", threeWrong, d.active)
			checkValues(t, d)

			field.do("drop 1")
			d.await(event{Event: "raised", Fan: "healthy", Condition: "controller_silent"})
			setFan(field, 1, -31, 55, 0)
			d.await(event{Event: "cleared", Fan: "healthy", Condition: "controller_silent"})

			setFan(field, 2, -30, 80, 1)
			d.await(event{Event: "cleared", Fan: "pinned", Condition: "pinned_at_max"})
			d.stop()
		})
	}
}

// checkValues compares what is exported with what the peer was told.
func checkValues(t *testing.T, d *runningDaemon) {
	t.Helper()
	for series, value := range map[string]string{
		`fanwarden_pressure_pascals{building="north",fan="healthy"}`:    "-31",
		`fanwarden_pressure_pascals{building="north",fan="inverted"}`:   "180",
		`fanwarden_speed_ratio{building="north",fan="healthy"}`:         "0.55",
		`fanwarden_high_speed_contact{building="north",fan="inverted"}`: "1",
		`fanwarden_setpoint_pascals{building="north",fan="idle"}`:       "-30",
		`fanwarden_fan_up{building="north",fan="idle"}`:                 "1",
		`fanwarden_gateway_up{building="north",gateway="roof"}`:         "1",
	} {
		want(t, series, value, func() string { return d.metrics()[series] })
	}
	if status, body := d.get("/readyz"); status != 200 {
		t.Errorf("/readyz: %d %s", status, body)
	}
	if status, body := d.get("/api/v1/fleet"); status != 200 || !strings.Contains(body, `"pinned_at_max"`) {
		t.Errorf("/api/v1/fleet: %d %s", status, body)
	}
}

// checkNothingStale wants that no value outlives its time.
func checkNothingStale(t *testing.T, d *runningDaemon) {
	t.Helper()
	eventually(t, func() error {
		for series := range d.metrics() {
			if strings.HasPrefix(series, "fanwarden_pressure_") || strings.HasPrefix(series, "fanwarden_speed_") {
				return fmt.Errorf("%s is still exported", series)
			}
		}
		return nil
	})
	m := d.metrics()
	if up := m[`fanwarden_fan_up{building="north",fan="healthy"}`]; up != "0" {
		t.Errorf("fan_up is %q behind a dead gateway", up)
	}
	if at := m[`fanwarden_reading_timestamp_seconds{building="north",fan="healthy"}`]; at == "" {
		t.Error("the time of the last good reading is gone")
	}
}

func TestReloadKeepsWhatStandsAndRefusesAFaultyFile(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	file := fleetOf(t, "tcp://127.0.0.1:"+field.port)
	good, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	d := startDaemon(t, file)
	want(t, "what stands", threeWrong, d.active)
	reloaded := func() string { return d.metrics()["fanwarden_config_last_reload_successful"] }

	os.WriteFile(file, append(good, "\nmax_sped = \"90 %\"\n"...), 0o600)
	d.cmd.Process.Signal(syscall.SIGHUP)
	if e := d.await(event{Event: "fault in the fleet file"}); !strings.Contains(e.Fault, "max_sped") {
		t.Errorf("the fault logged is %q", e.Fault)
	}
	want(t, "reload successful", "0", reloaded)
	want(t, "what stands", threeWrong, d.active)

	os.WriteFile(file, append([]byte("# a new first line\n"), append(good, "name = \"Renamed\"\n"...)...), 0o600)
	d.cmd.Process.Signal(syscall.SIGHUP)
	d.await(event{Event: "fleet file reloaded"})
	want(t, "reload successful", "1", reloaded)
	want(t, "what stands", threeWrong, d.active)
	for _, e := range d.seen {
		if e.Event == "cleared" {
			t.Errorf("a reload cleared %+v", e)
		}
	}
	d.stop()
}
