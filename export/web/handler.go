package web

import (
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
)

//go:embed assets
var assets embed.FS

// Options is what the handler shows and asks.
type Options struct {
	// Snapshot returns the current snapshot, or nil as long as there is none.
	Snapshot func() *export.Snapshot
	// Now tells the time, from which follows how old a value is.
	Now     func() time.Time
	Metrics http.Handler
	// Desk handles alarms. Where it is nil, their routes answer 503.
	Desk Desk
	// History gives what is kept of readings. Where it is nil, its routes answer
	// 503.
	History History
	// Access returns who may log in, as of now: what it returns after a reload
	// holds from the next request on. Where it is nil, reading is open and nobody
	// may act.
	Access func() config.Web
	// Log is told of logins that are refused; nil: nobody is.
	Log *zap.Logger
}

// site answers from whatever snapshot is current.
type site struct {
	snapshot func() *export.Snapshot
	now      func() time.Time
	desk     Desk
	history  History
	gate     *gate
	copying  sync.Mutex // held while a copy of the store is sent
	page     *template.Template
	style    string // of the style sheet's content, so that browsers ask for a new one
}

// Handler serves the page, the interface in JSON, /healthz, /readyz and, with
// the handler it is given, /metrics.
//
// A wrong method gets 405 with the ones that are allowed, an unknown path 404;
// every error under /api is JSON.
func Handler(o Options) http.Handler {
	s := &site{snapshot: o.Snapshot, now: o.Now, desk: o.Desk, history: o.History, gate: newGate(o),
		page: template.Must(template.ParseFS(assets, "assets/page.html")), style: fingerprint("assets/page.css")}
	mux := http.NewServeMux()
	for _, r := range s.routes(o.Metrics) {
		mux.Handle(r.pattern, s.gate.guard(r.need, r.serve))
	}
	return guarded(lost(mux))
}

// route is one path, who may use it, and what answers.
type route struct {
	pattern string // method and path
	need    need
	serve   http.Handler
}

func (s *site) routes(metrics http.Handler) []route {
	own := []route{
		{"GET /{$}", toRead, http.HandlerFunc(s.servePage)},
		{"GET /metrics", toRead, metrics},
		{"GET /healthz", nothing, http.HandlerFunc(serveHealth)},
		{"GET /readyz", nothing, http.HandlerFunc(s.serveReady)},
		{"GET /api/v1/fleet", toRead, http.HandlerFunc(s.serveFleet)},
		{"GET /api/v1/fans/{id}", toRead, http.HandlerFunc(s.serveFan)},
		{"GET /api/v1/gateways/{id}", toRead, http.HandlerFunc(s.serveGateway)},
		{"GET /api/v1/openapi.json", toRead, serveAsset("assets/openapi.json", "application/json")},
		{"GET /assets/page.css", nothing, serveAsset("assets/page.css", "text/css; charset=utf-8")},
		{"GET /assets/icon.svg", nothing, serveAsset("assets/icon.svg", "image/svg+xml")},
	}
	return slices.Concat(own, s.historyRoutes(), s.alarmRoutes())
}

// guarded sets what every answer carries. The page needs its own style sheet
// and icon and nothing else: no script, no frame, no form, no other host. What
// is answered is the state of an instant, so nothing is to be kept.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; img-src 'self'; "+
			"base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// fingerprint is a short mark of an embedded file's content.
func fingerprint(name string) string {
	content, err := assets.ReadFile(name)
	if err != nil {
		panic(err) // the file is part of the program
	}
	return fmt.Sprintf("%x", sha256.Sum256(content))[:12]
}

// serveAsset serves an embedded file. Browsers may keep it for an hour.
func serveAsset(name, contentType string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		content, err := assets.ReadFile(name)
		if err != nil {
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Content-Type", contentType)
		w.Header().Set("Cache-Control", "max-age=3600")
		_, _ = w.Write(content)
	}
}
