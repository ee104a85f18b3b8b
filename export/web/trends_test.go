package web

import (
	"errors"
	"fmt"
	"strings"
	"testing"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

func askTrends(h History, path string) (status int, answer string) {
	full := sample.Campus()
	w := ask(Handler(Options{Snapshot: func() *export.Snapshot { return full }, Now: sample.Now, History: h,
		Access: func() config.Web { return config.Web{} }}), "GET", "/api/v1/buildings/"+path)
	return w.Code, w.Body.String()
}

func TestTrendsOfABuilding(t *testing.T) {
	code, body := askTrends(paperHistory{}, "alder/trends")
	answer := decoded(t, []byte(body))
	if code != 200 || answer["from"] != "2026-01-04T06:31:10Z" || answer["to"] != "2026-01-05T06:31:10Z" || answer["step_s"] != 900.0 {
		t.Errorf("%d %s to %s in steps of %v", code, answer["from"], answer["to"], answer["step_s"])
	}
	fans := answer["fans"].(map[string]any)
	if len(fans) != 4 {
		t.Fatalf("%d fans", len(fans))
	}
	for id, one := range fans {
		for key, want := range map[string]any{"speed": 0.5, "low": -31.0, "high": 250.0} {
			all := one.(map[string]any)[key].([]any)
			if len(all) != 96 {
				t.Fatalf("%s of %s has %d values", key, id, len(all))
			}
			for i, got := range all { // step 3 has failed readings only
				if i == 2 && got != want || i != 2 && got != nil {
					t.Errorf("%s of %s at %d is %v", key, id, i, got)
				}
			}
		}
	}
}

func TestTrendsThatAreAskedFor(t *testing.T) {
	for path, c := range map[string]struct {
		status int
		says   string
	}{
		"birch/trends?hours=1":   {200, `"step_s":37.5`},
		"birch/trends?hours=720": {200, `"from":"2025-12-06T06:31:10Z"`},
		"birch/trends?hours=721": {400, "from 1 to 720"},
		"birch/trends?hours=0":   {400, "from 1 to 720"},
		"birch/trends?hours=1.5": {400, "from 1 to 720"},
		"birch/trends?step=5":    {400, "the keys are hours"},
		"x/trends":               {404, "there is no building"},
	} {
		if code, body := askTrends(paperHistory{}, path); code != c.status || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d %s", path, code, body)
		}
	}
	for name, c := range map[string]struct {
		history History
		says    string
	}{"none": {nil, "[store] dir"}, "broken": {paperHistory{err: errors.New("the disk is gone")}, "the disk is gone"}} {
		if code, body := askTrends(c.history, "alder/trends"); code != 503 || !strings.Contains(body, c.says) {
			t.Errorf("%s: %d %s", name, code, body)
		}
	}
}

func TestNumbersOfASmallTrend(t *testing.T) {
	for _, c := range []struct {
		v, step float64
		want    string
	}{{-29.8765, 0.01, "-29.88"}, {0.123456, 1e-5, "0.12346"}, {0.4666, 0.001, "0.467"}, {1, 0.001, "1"}, {-0.001, 0.01, "0"}} {
		if got := fmt.Sprint(*nearest(c.v, c.step)); got != c.want {
			t.Errorf("%v to %v: %s, want %s", c.v, c.step, got, c.want)
		}
	}
}
