package web

import (
	"math"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func TestTheSiteIsDescribed(t *testing.T) {
	got := decoded(t, ask(atDesk(t, newDesk(t)), "GET", "/api/v1/site").Body.Bytes())
	for key, want := range map[string]any{"name": "Harbor College", "version": "1.2.3", "zone": "UTC", "system": "imperial",
		"history": true, "desk": true, "who": "", "users": true} {
		if got[key] != want {
			t.Errorf("%s is %v, want %v", key, got[key], want)
		}
	}
	if b := got["buildings"].([]any); len(b) != 2 || b[0].(map[string]any)["id"] != "alder" {
		t.Errorf("buildings %v", b)
	}
	if m := got["modes"].([]any); len(m) != condition.Modes || m[condition.AtMax] != "at_max" {
		t.Errorf("modes %v", m)
	}
	if c := got["conditions"].([]any)[0].(map[string]any); c["name"] != "gateway_down" || c["title"] != "Gateway down" ||
		c["meaning"] != "does not answer" || c["of_gateway"] != true {
		t.Errorf("conditions %v", c)
	}
	if d := got["duties"].([]any); len(d) != 8 || d[0] != "bath" {
		t.Errorf("duties %v", d)
	}
	bare := decoded(t, ask(showing(sample.Campus()), "GET", "/api/v1/site").Body.Bytes())
	if bare["history"] != false || bare["desk"] != false || bare["users"] != false {
		t.Errorf("of a daemon without any of them: %v", bare)
	}
}

// A page shows what a sentence of the rules says: the same number of the same
// decimals.
func TestThePagesUnitsAreTheSentencesUnits(t *testing.T) {
	for _, s := range []units.System{units.Metric, units.Imperial} {
		described := describeUnits(s)
		for name, d := range map[string]units.Dimension{"pressure": units.Pressure, "flow": units.Flow, "ratio": units.Ratio,
			"rotation": units.Rotation, "power": units.Power, "energy": units.Energy, "temperature": units.Temperature, "length": units.Length} {
			u := described[name]
			for _, base := range []float64{-29.89, 0.4, 1234.5} {
				scale := math.Pow10(u.Decimals)
				value := math.Round((base-u.Offset)/u.Factor*scale)/scale + 0
				if got, want := strconv.FormatFloat(value, 'f', u.Decimals, 64)+" "+u.Unit, s.Format(base, d); got != want {
					t.Errorf("%s %s: %s, want %s", s, name, got, want)
				}
			}
		}
	}
}

func TestWhoLooks(t *testing.T) {
	web := people(t)
	h := handling(newDesk(t), func() config.Web { return web })
	for _, c := range []struct{ name, password, want string }{{"kim", kimsPassword, "kim"}, {"kim", "wrong", ""}, {"", "", ""}} {
		r := httptest.NewRequest("GET", "/api/v1/site", nil)
		if c.name != "" {
			r.SetBasicAuth(c.name, c.password)
		}
		w := answered(h, r)
		if got := decoded(t, w.Body.Bytes())["who"]; w.Code != 200 || got != c.want {
			t.Errorf("%v: %d, %v", c, w.Code, got)
		}
	}
}

func TestNamesOfZones(t *testing.T) {
	chicago, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	for zone, want := range map[*time.Location]string{chicago: "America/Chicago", time.UTC: "UTC", nil: "UTC",
		time.FixedZone("nowhere", 3600): "UTC"} {
		if got := zoneName(zone); got != want {
			t.Errorf("%v is told as %q, want %q", zone, got, want)
		}
	}
	dir := t.TempDir()
	file := filepath.Join(dir, "usr", "share", "zoneinfo", "Europe", "Berlin")
	link := filepath.Join(dir, "localtime")
	if err := os.MkdirAll(filepath.Dir(file), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink(file, link); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ environment, link, want string }{{"", link, "Europe/Berlin"}, {":Asia/Tokyo", link, "Asia/Tokyo"},
		{"", filepath.Join(dir, "none"), ""}} {
		if got := machineZone(c.environment, c.link); got != c.want {
			t.Errorf("TZ=%q, %s: %q, want %q", c.environment, c.link, got, c.want)
		}
	}
}
