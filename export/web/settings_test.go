package web

import (
	"bytes"
	"encoding/json"
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
)

// mapped is a fan whose controller reads back some settings.
const mapped = `
[fleet]
units = "imperial"
stale_after = "20s"
[pointmaps.m]
points.pressure = {register = 30001, type = "int16", scale = 0.001, unit = "inH2O", invalid = [-32768]}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
points.high_speed = {register = 10004}
points.fault = {table = "holding", address = 20, bit = 3, invert = true}
points.energy = {table = "holding", address = 9999, type = "uint32", order = "CDAB", scale = 0.1, offset = 5, unit = "kWh", shared = true}
points.min_speed = {table = "holding", address = 0, type = "uint16", unit = "%"}
points.max_speed = {table = "holding", address = 1, type = "uint16", unit = "%"}
points.run_on = {table = "holding", address = 2, type = "uint16", unit = "s"}
points.setpoint = {table = "holding", address = 3, type = "int16", scale = 0.001, unit = "inH2O"}
points.force_speed = {table = "holding", address = 30, type = "uint16", unit = "%"}
[[buildings]]
id = "alder"
[[gateways]]
id = "roof"
building = "alder"
url = "tcp://192.0.2.20"
[[fans]]
id = "alder-ef1"
gateway = "roof"
pointmap = "m"
unit = 7
base = 100
probe = "suction"
setpoint = "-0.12 inH2O"
min_speed = "20 %"
idle_below = "20 %"
run_on = "90s"
restart_rise = "0.18 inH2O"
probe_range = "-500..500 Pa"
riser_height = "30 m"
in_service = 2025-11-01
life_safety = true
[[fans]]
id = "alder-ef2"
gateway = "roof"
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
`

// wired is the answer about that fan after one reading of the words, each point
// that is not among them being unanswered, at an age of the reading.
func wired(t *testing.T, words map[reading.Point][]uint16, age time.Duration) []byte {
	t.Helper()
	fleet, faults := config.Parse("fleet.toml", []byte(mapped), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	b := export.NewBoard(fleet, "", sample.Now())
	if words != nil {
		r := reading.Reading{Fan: "alder-ef1", Gateway: "roof", Time: sample.Now().Add(-age)}
		var raw []uint16
		for _, p := range fleet.Fans[0].Points {
			if p.Point.Output() {
				continue
			}
			r.Mark(p.Point, reading.Unanswered)
			own := words[p.Point]
			if own == nil {
				raw = append(raw, make([]uint16, p.Words())...)
				continue
			}
			raw = append(raw, own...)
			if value, quality := p.Encoding.Decode(own); quality == reading.Good {
				r.Set(p.Point, value)
			} else {
				r.Mark(p.Point, quality)
			}
		}
		b.SetReadings([]reading.Reading{r}, [][]uint16{raw})
	}
	b.Publish(sample.Now())
	h := Handler(Options{Snapshot: b.Snapshot, Now: sample.Now, Desk: newDesk(t), Access: func() config.Web { return config.Web{} }})
	w := ask(h, "GET", "/api/v1/fans/alder-ef1/settings")
	if w.Code != 200 {
		t.Fatalf("%d %s", w.Code, w.Body)
	}
	return w.Body.Bytes()
}

// signed is the word of a number below zero.
func signed(v int16) []uint16 { return []uint16{uint16(v)} }

// nothingRead is where no reading came yet.
const nothingRead = reading.Point(reading.Points)

var wellRead = map[reading.Point][]uint16{reading.Pressure: signed(-121), reading.Speed: {643}, reading.HighSpeed: {1}, reading.Fault: {0x01A8},
	reading.Energy: {0x5678, 0x0012}, reading.MinSpeed: {20}, reading.MaxSpeed: {95}, reading.RunOn: {120}, reading.Setpoint: signed(-120)}

func TestSettingsGolden(t *testing.T) {
	var indented bytes.Buffer
	if err := json.Indent(&indented, wired(t, wellRead, 3*time.Second), "", "  "); err != nil {
		t.Fatal(err)
	}
	// The hash is another with every word of a record.
	golden(t, "settings.json", regexp.MustCompile(`"sha256": "[0-9a-f]{64}"`).ReplaceAll(indented.Bytes(), []byte(`"sha256": "the hash"`)))
}

// one returns the entry of a list that has this value under a key.
func one(t *testing.T, answer map[string]any, list, key, value string) map[string]any {
	t.Helper()
	for _, entry := range answer[list].([]any) {
		if entry := entry.(map[string]any); entry[key] == value {
			return entry
		}
	}
	t.Fatalf("no %s of %s", value, list)
	return nil
}

// Whether a setting agrees is what settings_changed goes by: one count is
// rounding, a default is no record.
func TestSettingsThatAgree(t *testing.T) {
	for name, c := range map[string]struct {
		key    string
		point  reading.Point
		word   []uint16
		age    time.Duration
		agrees any
		reads  string
	}{
		"the same":         {"min_speed", reading.MinSpeed, []uint16{20}, 0, true, "20 % good"},
		"one count":        {"min_speed", reading.MinSpeed, []uint16{21}, 0, true, "21 % good"},
		"two counts":       {"min_speed", reading.MinSpeed, []uint16{18}, 0, false, "18 % good"},
		"a time":           {"run_on", reading.RunOn, []uint16{120}, 0, false, "2 min good"},
		"by default":       {"max_speed", reading.MaxSpeed, []uint16{95}, 0, nil, "95 % good"},
		"the setpoint":     {"setpoint", reading.Setpoint, signed(-90), 0, nil, "-0.090 inH2O good"},
		"old":              {"min_speed", reading.MinSpeed, []uint16{35}, time.Minute, nil, " stale"},
		"not answered":     {"min_speed", reading.MinSpeed, nil, 0, nil, " unanswered"},
		"never read":       {"min_speed", nothingRead, nil, 0, nil, " never_read"},
		"nothing to read":  {"restart_rise", reading.MinSpeed, []uint16{20}, 0, nil, "<nil>"},
		"default, no read": {"start_delay", reading.MinSpeed, []uint16{20}, 0, nil, "<nil>"},
	} {
		var words map[reading.Point][]uint16
		if c.point != nothingRead {
			words = map[reading.Point][]uint16{c.point: c.word}
		}
		s := one(t, decoded(t, wired(t, words, c.age)), "settings", "key", c.key)
		reads := "<nil>"
		if back, is := s["read_back"].(map[string]any); is {
			reads = fmt.Sprint(back["text"], " ", back["quality"])
			if (back["value"] == nil) != (back["text"] == "") {
				t.Errorf("%s: %v", name, back)
			}
		}
		if s["agrees"] != c.agrees || reads != c.reads {
			t.Errorf("%s: agrees %v, reads %s; want %v, %s", name, s["agrees"], reads, c.agrees, c.reads)
		}
	}
}

// No word stands beside a value of another reading, or where none was answered.
func TestWordsOfAnAnswer(t *testing.T) {
	for name, c := range map[string]struct {
		words map[reading.Point][]uint16
		age   time.Duration
		point string
		want  string // raw, value, shown, quality, age
	}{
		"good":         {wellRead, time.Second, "pressure", `["0xFF87"] -0.121 inH2O good 1`},
		"two words":    {wellRead, time.Second, "energy", `["0x5678","0x0012"] 120183.4 kWh good 1`},
		"a contact":    {wellRead, time.Second, "high_speed", `["0x0001"] closed good 1`},
		"a bit":        {wellRead, time.Second, "fault", `["0x01A8"] off good 1`},
		"old":          {wellRead, time.Minute, "pressure", `["0xFF87"] <nil> stale 60`},
		"marked":       {map[reading.Point][]uint16{reading.Pressure: {0x8000}}, time.Second, "pressure", `["0x8000"] <nil> invalid 1`},
		"not answered": {map[reading.Point][]uint16{reading.Pressure: {1}}, time.Second, "speed", `null <nil> unanswered <nil>`},
		"never read":   {nil, 0, "speed", `null <nil> never_read <nil>`},
		"an output":    {wellRead, time.Second, "force_speed", `null <nil> not_read <nil>`},
	} {
		p := one(t, decoded(t, wired(t, c.words, c.age)), "points", "point", c.point)
		raw, _ := json.Marshal(p["raw"])
		if got := fmt.Sprint(string(raw), " ", p["shown"], " ", p["quality"], " ", p["age_s"]); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if (p["value"] == nil) != (p["shown"] == nil) {
			t.Errorf("%s: the value is %v, shown as %v", name, p["value"], p["shown"])
		}
	}
}

func TestSettingsOfFansThatAreAskedFor(t *testing.T) {
	for path, c := range map[string]struct {
		status int
		says   string
	}{
		"alder-ef1/settings":  {200, `"baseline":{"time":"2026-01-04T06:31:10Z","settings":[{"key":"min_speed","title":"Lowest speed","value":0.2,"text":"20 %"},{"key":"run_on"`},
		"alder-ef2/settings":  {200, `"baseline":null,"turnover":null`},
		"alder-ef3/settings":  {200, `"dimension":"flow","text":"848 cfm"`}, // an airflow
		"alder-ef2/turnovers": {200, `{"turnovers":[]}`},
		"x/turnovers":         {404, "there is no fan"},
		"x/settings":          {404, "there is no fan"},
	} {
		if w := ask(atDesk(t, newDesk(t)), "GET", "/api/v1/fans/"+path); w.Code != c.status || !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	const short = `"turnover":{"id":"` + provenAgain + `","began":"2026-01-04T06:00:00Z"`
	if w := ask(atDesk(t, newDesk(t)), "GET", "/api/v1/fans/alder-ef1/settings"); !strings.Contains(w.Body.String(), short) {
		t.Errorf("no %s in %s", short, w.Body)
	}
	if w := ask(atDesk(t, nil), "GET", "/api/v1/fans/alder-ef1/settings"); w.Code != 200 || !strings.Contains(w.Body.String(), `"baseline":null`) {
		t.Errorf("without a desk: %d %s", w.Code, w.Body)
	}
	if w := ask(showing(nil), "GET", "/api/v1/fans/alder-ef1/settings"); w.Code != 503 {
		t.Errorf("before anything is known: %d %s", w.Code, w.Body)
	}
}

func TestEveryPointHasATitle(t *testing.T) {
	seen := make(map[string]reading.Point)
	for p := range reading.Point(reading.Points) {
		if other, twice := seen[titles[p]]; twice || titles[p] == "" {
			t.Errorf("%s is called %q, like %s", p, titles[p], other)
		}
		seen[titles[p]] = p
	}
}
