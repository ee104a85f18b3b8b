package web

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

// metricsOf stands for the handler of the metrics.
func metricsOf(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "metrics\n") }

// showing returns a handler that shows one snapshot.
func showing(s *export.Snapshot) http.Handler {
	return Handler(Options{Snapshot: func() *export.Snapshot { return s }, Now: sample.Now, Metrics: http.HandlerFunc(metricsOf)})
}

func ask(h http.Handler, method, path string) *httptest.ResponseRecorder {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(method, path, nil))
	return w
}

func TestAnswers(t *testing.T) {
	full := sample.Campus()
	full.Ready = true
	for name, c := range map[string]struct {
		snapshot     *export.Snapshot
		method, path string
		status       int
		contentType  string
		says         string
	}{
		"page":                 {full, "GET", "/", 200, "text/html; charset=utf-8", "Harbor College"},
		"page, head only":      {full, "HEAD", "/", 200, "text/html; charset=utf-8", ""},
		"page before any data": {nil, "GET", "/", 503, "text/plain; charset=utf-8", "starting"},
		"a building":           {full, "GET", "/buildings/alder", 200, "text/html; charset=utf-8", "Harbor College"},
		"a fan":                {full, "GET", "/fans/alder-ef1", 200, "text/html; charset=utf-8", "Harbor College"},
		"the alarms":           {full, "GET", "/alarms?show=journal", 200, "text/html; charset=utf-8", "Harbor College"},
		"the reports":          {full, "GET", "/reports", 200, "text/html; charset=utf-8", "Harbor College"},
		"style":                {full, "GET", assetPath("base.css"), 200, "text/css; charset=utf-8", ""},
		"script":               {full, "GET", assetPath("app.js"), 200, "text/javascript; charset=utf-8", ""},
		"icon":                 {full, "GET", assetPath("icon.svg"), 200, "image/svg+xml", "<svg"},
		"template is no asset": {full, "GET", assetPath("index.html"), 404, "", "load the page again"},
		"of another program":   {full, "GET", "/assets/0123456789ab/app.js", 404, "", "load the page again"},
		"no such asset":        {full, "GET", assetPath("none.js"), 404, "", "load the page again"},
		"site":                 {full, "GET", "/api/v1/site", 200, "application/json", `"name":"Harbor College"`},
		"site, too early":      {nil, "GET", "/api/v1/site", 503, "application/json", `"error":`},
		"metrics":              {full, "GET", "/metrics", 200, "", "metrics\n"},
		"lives":                {nil, "GET", "/healthz", 200, "text/plain; charset=utf-8", "ok\n"},
		"ready":                {full, "GET", "/readyz", 200, "text/plain; charset=utf-8", "ready\n"},
		"not started":          {nil, "GET", "/readyz", 503, "text/plain; charset=utf-8", "not ready: the daemon is starting"},
		"not through": {sample.Campus(), "GET", "/readyz", 503, "text/plain; charset=utf-8",
			"not ready: 1 of 3 gateways have not finished their first cycle: birch-annex\n"},
		"fleet":             {full, "GET", "/api/v1/fleet", 200, "application/json", `"name":"Harbor College"`},
		"fleet, too early":  {nil, "GET", "/api/v1/fleet", 503, "application/json", `"error":`},
		"fan":               {full, "GET", "/api/v1/fans/alder-ef1", 200, "application/json", `"id":"alder-ef1"`},
		"fan, too early":    {nil, "GET", "/api/v1/fans/alder-ef1", 503, "application/json", `"error":`},
		"no such fan":       {full, "GET", "/api/v1/fans/%22%3Cx", 404, "application/json", `there is no fan \"\\\"\u003cx\"`},
		"gateway":           {full, "GET", "/api/v1/gateways/birch-roof", 200, "application/json", `"id":"birch-roof"`},
		"gateway, early":    {nil, "GET", "/api/v1/gateways/birch-roof", 503, "application/json", `"error":`},
		"no such gateway":   {full, "GET", "/api/v1/gateways/x", 404, "application/json", "there is no gateway"},
		"nothing there":     {full, "GET", "/nothing", 404, "", ""},
		"wrong method":      {full, "POST", "/api/v1/fleet", 405, "application/json", `{"error":"POST is not for this path; it takes GET, HEAD"}`},
		"no such path":      {full, "GET", "/api/v1/alarm", 404, "application/json", `{"error":"there is no such path; /api/v1/openapi.json`},
		"no such version":   {full, "POST", "/api/v2/fleet", 404, "application/json", `"error"`},
		"description":       {full, "GET", "/api/v1/openapi.json", 200, "application/json", `"openapi": "3.1.0"`},
		"deleting the page": {full, "DELETE", "/", 405, "", ""},
		"posting metrics":   {full, "POST", "/metrics", 405, "", ""},
	} {
		w := ask(showing(c.snapshot), c.method, c.path)
		if w.Code != c.status {
			t.Errorf("%s: status %d, want %d", name, w.Code, c.status)
		}
		if got := w.Header().Get("Content-Type"); c.contentType != "" && got != c.contentType {
			t.Errorf("%s: Content-Type %q, want %q", name, got, c.contentType)
		}
		if !strings.Contains(w.Body.String(), c.says) {
			t.Errorf("%s: the answer does not say %q: %.300s", name, c.says, w.Body)
		}
		if allow := w.Header().Get("Allow"); c.status == 405 && !strings.Contains(allow, "GET") {
			t.Errorf("%s: Allow is %q", name, allow)
		}
		for header, want := range map[string]string{
			"Content-Security-Policy": "default-src 'none'",
			"X-Content-Type-Options":  "nosniff",
			"Referrer-Policy":         "no-referrer",
			"X-Frame-Options":         "DENY",
		} {
			if got := w.Header().Get(header); !strings.HasPrefix(got, want) {
				t.Errorf("%s: %s is %q, want %q", name, header, got, want)
			}
		}
	}
}

func TestReadyNamesOnlyAFew(t *testing.T) {
	s := sample.Large(10 * 32)
	s.Ready = false
	for _, g := range s.Gateways {
		g.Last = time.Time{}
	}
	got := ask(showing(s), "GET", "/readyz").Body.String()
	want := "not ready: 10 of 10 gateways have not finished their first cycle: " +
		"b00000-roof, b00001-roof, b00002-roof, b00003-roof, b00004-roof and 5 more\n"
	if got != want {
		t.Errorf("got  %swant %s", got, want)
	}
}

func TestServerLimits(t *testing.T) {
	s := NewServer("127.0.0.1:9640", http.NotFoundHandler())
	if s.Addr != "127.0.0.1:9640" || s.Handler == nil {
		t.Error("the server is not for that address and handler")
	}
	for what, limit := range map[string]time.Duration{"header": s.ReadHeaderTimeout, "read": s.ReadTimeout,
		"write": s.WriteTimeout, "idle": s.IdleTimeout} {
		if limit <= 0 || limit > 5*time.Minute {
			t.Errorf("%s time-out is %v", what, limit)
		}
	}
	if s.MaxHeaderBytes <= 0 || s.MaxHeaderBytes > 64<<10 {
		t.Errorf("headers of %d bytes are taken", s.MaxHeaderBytes)
	}
}

func BenchmarkFleet10000(b *testing.B) {
	h := showing(sample.Large(10000))
	for b.Loop() {
		b.SetBytes(int64(ask(h, "GET", "/api/v1/fleet").Body.Len()))
	}
}
