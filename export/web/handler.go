package web

import (
	"html/template"
	"net/http"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
)

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
	named    atomic.Pointer[names]
	copying  sync.Mutex // held while a copy of the store is sent
	streams  chan struct{}
	drawing  sync.Mutex // held while the picture that all streams show is made
	drawn    *picture
	noted    *ledger
	shell    *template.Template
	sheet    *template.Template // of a report
	library  *library
	// reporting holds one while a report is made.
	reporting chan struct{}
}

// Handler serves the page, the interface in JSON, /healthz, /readyz and, with
// the handler it is given, /metrics.
//
// A wrong method gets 405 with the ones that are allowed, an unknown path 404;
// every error under /api is JSON.
func Handler(o Options) http.Handler {
	s := &site{snapshot: o.Snapshot, now: o.Now, desk: o.Desk, history: o.History, gate: newGate(o), streams: make(chan struct{}, mostStreams),
		shell: shellTemplate(), sheet: sheetTemplate(), library: embedded(), reporting: make(chan struct{}, 1)}
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
		{"GET /metrics", toRead, metrics},
		{"GET /healthz", nothing, http.HandlerFunc(serveHealth)},
		{"GET /readyz", nothing, http.HandlerFunc(s.serveReady)},
		{"GET /api/v1/site", toRead, http.HandlerFunc(s.serveSite)},
		{"GET /api/v1/fleet", toRead, http.HandlerFunc(s.serveFleet)},
		{"GET /api/v1/fans/{id}", toRead, http.HandlerFunc(s.serveFan)},
		{"GET /api/v1/fans/{id}/settings", toRead, http.HandlerFunc(s.serveSettings)},
		{"GET /api/v1/gateways/{id}", toRead, http.HandlerFunc(s.serveGateway)},
		{"GET /api/v1/incidents", toRead, http.HandlerFunc(s.serveIncidents)},
		{"GET /api/v1/events", toRead, http.HandlerFunc(s.serveEvents)},
		{"GET /api/v1/openapi.json", toRead, http.HandlerFunc(serveDescription)},
	}
	return slices.Concat(own, s.shellRoutes(), s.historyRoutes(), s.reportRoutes(), s.turnoverRoutes(), s.alarmRoutes())
}

// guarded sets what every answer carries. The page needs its own scripts, style
// sheets and answers and nothing else: nothing inline, no frame, no other host.
// What is answered is the state of an instant, so nothing is to be kept.
func guarded(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; "+
			"connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Frame-Options", "DENY")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		next.ServeHTTP(w, r)
	})
}

// serveDescription serves what describes the interface. Clients may keep it for
// an hour.
func serveDescription(w http.ResponseWriter, _ *http.Request) {
	content, err := assets.ReadFile("assets/openapi.json")
	if err != nil {
		panic(err) // the file is part of the program
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "max-age=3600")
	_, _ = w.Write(content)
}
