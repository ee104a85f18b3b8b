package web

import (
	"fmt"
	"net/http"
	"strings"

	"fanwarden/export"
)

// serveHealth says that the process lives and answers; it says nothing about
// the field.
func serveHealth(w http.ResponseWriter, _ *http.Request) { plain(w, http.StatusOK, "ok") }

// serveReady answers 200 once every gateway has finished a cycle, whether or
// not anything answered in it, and 503 with the reason until then. Where reading
// wants a login, the reason is for those only who have one, and a probe gets the
// status.
func (s *site) serveReady(w http.ResponseWriter, r *http.Request) {
	if reason := waiting(s.snapshot()); reason != "" {
		if !s.gate.mayRead(r) {
			reason = "log in to read what is waited for"
		}
		plain(w, http.StatusServiceUnavailable, "not ready: "+reason)
		return
	}
	plain(w, http.StatusOK, "ready")
}

// waiting says what the first full cycle waits for, or "" if it is over.
func waiting(s *export.Snapshot) string {
	if s == nil {
		return "the daemon is starting and has not looked at the fleet yet"
	}
	if s.Ready {
		return ""
	}
	const few = 5
	var ids []string
	for _, g := range s.Gateways {
		if g.Last.IsZero() {
			ids = append(ids, clean(string(g.Gateway.ID)))
		}
	}
	if len(ids) == 0 {
		return "the first full cycle is not finished yet"
	}
	names, more := ids, ""
	if len(ids) > few {
		names, more = ids[:few], fmt.Sprintf(" and %d more", len(ids)-few)
	}
	return fmt.Sprintf("%d of %d gateways have not finished their first cycle: %s%s",
		len(ids), len(s.Gateways), strings.Join(names, ", "), more)
}

func plain(w http.ResponseWriter, status int, text string) {
	w.Header().Set("Content-Type", "text/plain; charset=utf-8")
	w.WriteHeader(status)
	_, _ = fmt.Fprintln(w, text)
}
