package web

import (
	"errors"
	"fmt"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func page(s *export.Snapshot) string { return ask(showing(s), "GET", "/").Body.String() }

func TestHostileNamesAreTextOnly(t *testing.T) {
	s := sample.Campus()
	s.Fleet.Name = sample.Hostile
	s.Version = sample.Hostile
	for _, b := range s.Fleet.Buildings {
		b.Name = sample.Hostile
	}
	for _, g := range s.Fleet.Gateways {
		g.ID, g.URL = sample.Hostile, sample.Hostile
	}
	for _, f := range s.Fans {
		c := f.Fan
		c.ID, c.Name, c.Location, c.Serves = sample.Hostile, sample.Hostile, sample.Hostile, sample.Hostile
		for i := range f.Standing {
			f.Standing[i].Finding = condition.Finding{Summary: sample.Hostile,
				Evidence: []condition.Number{{Name: sample.Hostile, Value: 1}},
				Causes:   []condition.Cause{{What: sample.Hostile, Check: sample.Hostile}}}
		}
	}
	got := page(s)
	if !strings.Contains(got, "&lt;script&gt;alert(&#34;x&#34;)") {
		t.Error("the name is not shown as text")
	}
	for what, bad := range map[string]string{"a script": "<script", "an override of direction": "\u202E",
		"an unescaped quote": `"x"`} {
		if strings.Contains(got, bad) {
			t.Errorf("the page has %s", what)
		}
	}
	if !utf8.ValidString(got) {
		t.Error("the page is not UTF-8")
	}
	json := ask(showing(s), "GET", "/api/v1/fleet").Body.String()
	if strings.Contains(json, "<script") || !utf8.ValidString(json) {
		t.Error("the fleet in JSON has markup in it or is not UTF-8")
	}
}

// Who comes to the page from a message sees that somebody is on it.
func TestThePageSaysWhoSeesToIt(t *testing.T) {
	d := newDesk(t)
	looks := func() string {
		return answered(handling(d, func() config.Web { return config.Web{} }), httptest.NewRequest("GET", "/", nil)).Body.String()
	}
	if got := looks(); !strings.Contains(got, "Shelved until 08:31 by kim: switch on order") || strings.Contains(got, "Acknowledged") {
		t.Errorf("the shelf of the gateway is not shown, or more than that: %q", regexp.MustCompile(`handled">[^<]*`).FindAllString(got, -1))
	}
	if err := errors.Join(d.Acknowledge(pinned, "lee", "a <door>"), d.TakeOut("alder-ef1", "kim", "belt")); err != nil {
		t.Fatal(err)
	}
	got := looks()
	for _, want := range []string{"Acknowledged 00:31 by lee: a &lt;door&gt;", "out of service since 00:31, by kim: belt"} {
		if !strings.Contains(got, want) {
			t.Errorf("the page does not say %q", want)
		}
	}
}

func TestWorstFirst(t *testing.T) {
	got := page(sample.Campus())
	last := 0
	for _, text := range []string{
		// the conditions: page, ticket, note
		"gateway down</h3>", "pinned at max</h3>", "stuck idle</h3>",
		// the buildings, and in each its fans: a condition, no answer, no good value, well
		"<bdi>Birch Hall</bdi></h2>", `id="fan-birch-ef2"`, `id="fan-birch-ef1"`, `id="fan-birch-ef3"`,
		"<bdi>Alder Hall</bdi></h2>", `id="fan-alder-ef2"`, `id="fan-alder-ef4"`, `id="fan-alder-ef1"`, `id="fan-alder-ef3"`,
	} {
		at := strings.Index(got, text)
		if at < 0 {
			t.Fatalf("the page has no %s", text)
		}
		if at < last {
			t.Errorf("%s comes too early", text)
		}
		last = at
	}
}

// row is the part of the page about one fan.
func row(t *testing.T, page, id string) string {
	t.Helper()
	_, rest, found := strings.Cut(page, `<tr id="fan-`+id+`"`)
	if !found {
		t.Fatalf("there is no row of %s", id)
	}
	row, _, _ := strings.Cut(rest, "</tr>")
	return row
}

func TestRows(t *testing.T) {
	got := page(sample.Campus())
	for id, says := range map[string][]string{
		"alder-ef1": {"Bath risers 1-4", "roof, north", "controlling", ">-0.122 inH2O<", ">-0.120 inH2O<", ">62 %", "2 s ago"},
		"alder-ef3": {">869 cfm<", ">848 cfm<"}, // 0.41 and 0.4 m3/s at 2118.880 cfm
		"alder-ef4": {"values marked invalid", ">–<", "60 min ago", ">old<"},
		"birch-ef1": {"no answer: timeout", "controller silent, explained by gateway down", ">–<", "70 min ago", ">old<"},
		"birch-ef3": {"not polled yet", "never read"},
	} {
		for _, text := range says {
			if r := row(t, got, id); !strings.Contains(r, text) {
				t.Errorf("the row of %s does not say %q: %s", id, text, r)
			}
		}
	}
	if r := row(t, got, "birch-ef1"); strings.Contains(r, "60 %") {
		t.Errorf("the row of a silent fan shows its old speed: %s", r)
	}
}

func TestPageSaysHowOldItsDataIs(t *testing.T) {
	s := sample.Campus()
	if got := page(s); !strings.Contains(got, "Mon 5 Jan 00:31:10 CST") || !strings.Contains(got, "newest reading 2 s old") {
		t.Error("the page does not say when it was made and how old its newest reading is")
	}
	for _, f := range s.Fans {
		f.LastGood = time.Time{}
	}
	if got := page(s); !strings.Contains(got, "nothing has been read yet") {
		t.Error("the page does not say that nothing has been read")
	}
}

func TestRefusedFile(t *testing.T) {
	s := sample.Campus()
	if strings.Contains(page(s), "was refused") {
		t.Error("the page says that a good file was refused")
	}
	s.Reload.Good = false
	if got := page(s); !strings.Contains(got, "was refused") || !strings.Contains(got, "(loaded Sat 3 Jan 22:31)") {
		t.Error("the page does not say that the fleet file was refused, and since when the one in force is")
	}
}

func TestQuietIsNotTakenForHealth(t *testing.T) {
	s := sample.Large(3)
	s.Fans[0].Standing = nil
	if got := page(s); !strings.Contains(got, "<p class=\"allquiet\">No condition stands.</p>") {
		t.Error("a fleet without conditions is not said to be quiet")
	}
	s.Fans[1].Values.Mark(reading.Pressure, reading.Marked)
	if got := page(s); !strings.Contains(got, "nothing good is known of 1 of 3 fans") {
		t.Error("a fan without a good value is not told")
	}
}

func TestLargeFleetIsFolded(t *testing.T) {
	s := sample.Large(200) // fans 0 and 100 are pinned, in buildings 0 and 3
	got := page(s)
	for i := range 7 {
		open := i == 0 || i == 3
		text := fmt.Sprintf("<summary><h2><bdi>b%05d</bdi>", i)
		before, _, found := strings.Cut(got, text)
		if !found {
			t.Fatalf("building %d is missing", i)
		}
		if isOpen := strings.HasSuffix(before, "<details class=\"building\" open>\n"); isOpen != open {
			t.Errorf("building %d is unfolded: %v", i, isOpen)
		}
	}
}

func TestEvidenceInPeoplesUnits(t *testing.T) {
	v := &view{snapshot: sample.Campus(), now: sample.Now()}
	for n, want := range map[condition.Number]evidenceView{
		{Name: "pressure_pa", Value: -30}:         {"pressure", "-30.0 Pa"},
		{Name: "airflow_m3s", Value: 0.4}:         {"airflow", "400 L/s"},
		{Name: "stood_s", Value: 2700}:            {"stood", "45 min"},
		{Name: "speed", Value: 0.62}:              {"speed", "62 %"},
		{Name: "times_of_setpoint", Value: 3.5}:   {"times of setpoint", "3.5"},
		{Name: "usual_power_w", Value: 310}:       {"usual power", "310 W"},
		{Name: "usual_rpm", Value: 1483.7}:        {"usual rpm", "1484 rpm"},
		{Name: "outdoor_c", Value: -10}:           {"outdoor", "-10 C"},
		{Name: "before_speed", Value: 0.45}:       {"before speed", "45 %"},
		{Name: "high_speed_at", Value: 0.8}:       {"high speed at", "80 %"},
		{Name: "high_speed_off_at", Value: 0.7}:   {"high speed off at", "70 %"},
		{Name: "recorded_idle_below", Value: 0.2}: {"recorded idle below", "20 %"},
		{Name: "lost_before_ratio", Value: 0.02}:  {"lost before", "2 %"},
		{Name: "high_speed_contact", Value: 0}:    {"high speed contact", "open"},
		{Name: "fault", Value: 1}:                 {"fault", "on"},
		{Name: "readings", Value: 12345}:          {"readings", "12345"},
	} {
		if got := v.evidence(n); got != want {
			t.Errorf("%v: got %v, want %v", n, got, want)
		}
	}
}

func BenchmarkPage10000(b *testing.B) {
	h := showing(sample.Large(10000))
	for b.Loop() {
		b.SetBytes(int64(ask(h, "GET", "/").Body.Len()))
	}
}

func BenchmarkFleet10000(b *testing.B) {
	h := showing(sample.Large(10000))
	for b.Loop() {
		b.SetBytes(int64(ask(h, "GET", "/api/v1/fleet").Body.Len()))
	}
}
