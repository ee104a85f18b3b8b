package browser_test

import (
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/export/web"
)

// Names of the fleet file that break out of whatever does not escape them are
// text on every page.
func TestNamesAreTextOnly(t *testing.T) {
	needsBrowser(t)
	begun, fleet := time.Now(), sample.Campus()
	fleet.Ready = true
	for _, b := range fleet.Fleet.Buildings {
		b.Name = sample.Hostile
	}
	for _, f := range fleet.Fleet.Fans {
		f.Name, f.Location, f.Serves, f.Group = sample.Hostile, sample.Hostile, sample.Hostile, sample.Hostile
	}
	server := httptest.NewServer(web.Handler(web.Options{Metrics: http.NotFoundHandler(),
		Snapshot: func() *export.Snapshot { return fleet },
		Now:      func() time.Time { return sample.Now().Add(time.Since(begun)) }}))
	t.Cleanup(func() { server.CloseClientConnections(); server.Close() })
	b := newTab(t, server.URL)
	for _, path := range []string{"/", "/buildings/alder", "/fans/alder-ef2"} {
		b.open(path)
		if !strings.Contains(b.text("main"), `<script>alert("x")</script>`) {
			t.Errorf("%s does not show the name as it is: %s", path, shortened(b.text("main")))
		}
		if evaluate[bool](b, `document.querySelector("main script, header script") !== null`) {
			t.Errorf("%s has made a script of a name", path)
		}
	}
	for _, path := range []string{"/alarms", "/reports"} { // of a daemon that has neither
		b.open(path)
	}
}
