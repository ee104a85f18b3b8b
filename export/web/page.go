package web

import (
	"bytes"
	"net/http"
	"strconv"
	"time"

	"fanwarden/export"
)

// servePage serves the page as a whole, so that a fault in making it up can
// still be told by its status.
func (s *site) servePage(w http.ResponseWriter, _ *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		w.Header().Set("Retry-After", "1")
		plain(w, http.StatusServiceUnavailable, waiting(nil))
		return
	}
	var body bytes.Buffer
	view := newPage(snapshot, s.now(), s.desk)
	view.Style = s.style
	if err := s.page.Execute(&body, view); err != nil {
		http.Error(w, "the page could not be made up: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
	_, _ = w.Write(body.Bytes())
}

// rank orders what the page lists, the worst first.
type rank int

// The ranks.
const (
	well       rank = iota
	unjudged        // nothing is known yet, or its values are not good
	unanswered      // does not answer, and something else explains it
	noteStands      // a condition of that severity stands
	ticketNeeds
	pageNeeds
)

func gatewayRank(g *export.Gateway, now time.Time) rank {
	if worst := standingRank(g.Standing); worst > well {
		return worst
	}
	if g.Last.IsZero() {
		return unjudged
	}
	if !g.Up(now) {
		return unanswered
	}
	return well
}
