package web

import (
	"crypto/sha256"
	"embed"
	"fmt"
	"html/template"
	"net/http"
	"time"

	"fanwarden/export"
)

//go:embed assets
var assets embed.FS

// site answers from whatever snapshot is current.
type site struct {
	snapshot func() *export.Snapshot
	now      func() time.Time
	page     *template.Template
	style    string // of the style sheet's content, so that browsers ask for a new one
}

// Handler serves the page, the interface in JSON, /healthz, /readyz and, with
// the handler it is given, /metrics. The snapshot may be nil as long as there
// is none; how old a value is follows from the time that now tells.
//
// A wrong method gets 405 with the ones that are allowed, an unknown path 404.
func Handler(snapshot func() *export.Snapshot, now func() time.Time, metrics http.Handler) http.Handler {
	s := &site{snapshot: snapshot, now: now,
		page: template.Must(template.ParseFS(assets, "assets/page.html")), style: fingerprint("assets/page.css")}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /{$}", s.servePage)
	mux.Handle("GET /metrics", metrics)
	mux.HandleFunc("GET /healthz", serveHealth)
	mux.HandleFunc("GET /readyz", s.serveReady)
	mux.HandleFunc("GET /api/v1/fleet", s.serveFleet)
	mux.HandleFunc("GET /api/v1/fans/{id}", s.serveFan)
	mux.HandleFunc("GET /api/v1/gateways/{id}", s.serveGateway)
	mux.HandleFunc("GET /assets/page.css", serveAsset("assets/page.css", "text/css; charset=utf-8"))
	mux.HandleFunc("GET /assets/icon.svg", serveAsset("assets/icon.svg", "image/svg+xml"))
	return guarded(mux)
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
