package web

import (
	"bytes"
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
)

var update = flag.Bool("update", false, "write the golden files anew")

// golden compares an answer with the file of that name.
func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	gotLines, wantLines := strings.Split(string(got), "\n"), strings.Split(string(want), "\n")
	for i := range min(len(gotLines), len(wantLines)) {
		if gotLines[i] != wantLines[i] {
			t.Fatalf("%s, line %d:\n got %s\nwant %s", name, i+1, gotLines[i], wantLines[i])
		}
	}
	if len(gotLines) != len(wantLines) {
		t.Fatalf("%s: %d lines, want %d", name, len(gotLines), len(wantLines))
	}
}

func TestJSONGolden(t *testing.T) {
	h := showing(sample.Campus())
	for name, path := range map[string]string{
		"fleet.json":   "/api/v1/fleet",
		"fan.json":     "/api/v1/fans/alder-ef2",
		"silent.json":  "/api/v1/fans/birch-ef1",
		"gateway.json": "/api/v1/gateways/birch-roof",
	} {
		var indented bytes.Buffer
		if err := json.Indent(&indented, ask(h, "GET", path).Body.Bytes(), "", "  "); err != nil {
			t.Fatalf("%s: %v", path, err)
		}
		golden(t, name, indented.Bytes())
	}
}

// decoded is an answer as another program would read it.
func decoded(t *testing.T, body []byte) map[string]any {
	t.Helper()
	var answer map[string]any
	if err := json.Unmarshal(body, &answer); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	return answer
}

func TestNoValueThatIsStale(t *testing.T) {
	s := sample.Campus()
	read := s.Fans[1].Values.Time
	for _, c := range []struct {
		age   time.Duration
		fresh bool
	}{{20 * time.Second, true}, {20*time.Second + time.Millisecond, false}, {time.Hour, false}} {
		site := &site{now: func() time.Time { return read.Add(c.age) }}
		one := describeFan(s.Fans[1], site.now())
		points := describePoints(s.Fans[1], site.now())
		if _, shown := one.Values["pressure_pa"]; shown != c.fresh {
			t.Errorf("at an age of %v the pressure is shown: %v", c.age, shown)
		}
		if got := one.Missing["pressure"]; (got == "stale") == c.fresh {
			t.Errorf("at an age of %v the pressure is %q", c.age, got)
		}
		if (one.SetpointPa != nil) != c.fresh { // it is mapped, so the fleet file's does not stand in for it
			t.Errorf("at an age of %v the setpoint is shown: %v", c.age, one.SetpointPa != nil)
		}
		for _, p := range points {
			if (p.Value != nil) != c.fresh {
				t.Errorf("at an age of %v %s is shown: %v", c.age, p.Point, p.Value)
			}
		}
	}
}

// What a device says against its own value stands in the value's place.
func TestNoValueThatItsDeviceDoesNotStandBy(t *testing.T) {
	for q, word := range map[reading.Quality]string{reading.Faulty: "fault", reading.OutOfService: "out of service",
		reading.Overridden: "overridden", reading.OtherUnit: "another unit"} {
		s := sample.Campus()
		s.Fans[1].Values.Mark(reading.Pressure, q)
		now := s.Fans[1].Values.Time
		one := describeFan(s.Fans[1], now)
		if _, shown := one.Values["pressure_pa"]; shown || one.Missing["pressure"] != word {
			t.Errorf("%s: shown %v, missing %q", q, shown, one.Missing["pressure"])
		}
		for _, p := range describePoints(s.Fans[1], now) {
			if p.Point == "pressure" && (p.Value != nil || p.Quality != word) {
				t.Errorf("%s: %+v", q, p)
			}
		}
	}
}

func TestNamesOfValues(t *testing.T) {
	s := sample.Campus()
	h := showing(s)
	fan := func(id string) map[string]any { return decoded(t, ask(h, "GET", "/api/v1/fans/"+id).Body.Bytes()) }

	pinned := fan("alder-ef2")
	for name, want := range map[string]any{"pressure_pa": -12.0, "speed": 1.0, "high_speed": true, "setpoint_pa": -30.0} {
		if got := pinned["values"].(map[string]any)[name]; got != want {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	if pinned["setpoint_pa"] != -30.0 || pinned["setpoint_from"] != "controller" || pinned["tolerance_pa"] != 5.0 {
		t.Errorf("setpoint %v from %v within %v", pinned["setpoint_pa"], pinned["setpoint_from"], pinned["tolerance_pa"])
	}
	lab := fan("alder-ef3")
	if got := lab["values"].(map[string]any)["airflow_m3s"]; got != 0.41 {
		t.Errorf("airflow_m3s is %v", got)
	}
	if lab["setpoint_m3s"] != 0.4 || lab["setpoint_from"] != "fleet_file" || lab["setpoint_pa"] != nil || math.Abs(lab["tolerance_m3s"].(float64)-0.06) > 1e-9 {
		t.Errorf("setpoint of the airflow fan: %v from %v within %v", lab["setpoint_m3s"], lab["setpoint_from"], lab["tolerance_m3s"])
	}
	c := pinned["conditions"].([]any)[0].(map[string]any)
	if c["condition"] != "pinned_at_max" || c["severity"] != "ticket" || c["since"] != "2026-01-05T05:46:10Z" ||
		c["evidence"].(map[string]any)["pressure_pa"] != -12.0 || c["first_check"] != "Walk the riser and close what is open." {
		t.Errorf("condition %v", c)
	}
	silent := fan("birch-ef1")
	if n := len(silent["conditions"].([]any)); n != 0 {
		t.Errorf("%d conditions of a fan behind a dead gateway are active", n)
	}
	if by := silent["suppressed"].([]any)[0].(map[string]any)["silenced_by"]; by != "gateway_down" {
		t.Errorf("silenced by %v", by)
	}
	if never := fan("birch-ef3"); never["up"] != nil || never["read"] != nil || never["missing"].(map[string]any)["speed"] != "never_read" {
		t.Errorf("a fan that was never polled: %v", never)
	}
}

// An airflow that is worked out from a velocity pressure has no place of its
// own on the wire, and is shown all the same.
func TestDerivedAirflow(t *testing.T) {
	s := sample.Campus()
	lab := s.Fans[2]
	lab.Fan.Points[0].Point = reading.VelocityPressure
	lab.Values.Set(reading.VelocityPressure, 62)
	a := describeFan(lab, sample.Now())
	if a.Values["airflow_m3s"] != 0.41 || a.Values["velocity_pressure_pa"] != 62.0 {
		t.Errorf("values %v", a.Values)
	}
}

// JSON cannot carry NaN or an infinity: one such number must not take the
// whole answer with it.
func TestNumbersThatAreNone(t *testing.T) {
	s := sample.Campus()
	zero := 0.0
	s.Fans[0].Values.Set(reading.Pressure, zero/zero)
	s.Fans[1].Standing[0].Evidence[0].Value = 1 / zero
	w := ask(showing(s), "GET", "/api/v1/fleet")
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	healthy := describeFan(s.Fans[0], sample.Now())
	if _, shown := healthy.Values["pressure_pa"]; shown || healthy.Missing["pressure"] != "invalid" {
		t.Errorf("NaN is shown as %v, %q", healthy.Values["pressure_pa"], healthy.Missing["pressure"])
	}
}
