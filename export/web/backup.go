package web

import (
	"net/http"
	"time"
)

// copyTime is how long sending a copy of the store may take. While it lasts the
// store keeps what it would free, so it is bounded.
const copyTime = 5 * time.Minute

// serveBackup sends a copy of the store as it is now. A copy that breaks off
// ends the connection, so that nobody takes it for whole. One is sent at a time.
func (s *site) serveBackup(w http.ResponseWriter, _ *http.Request) {
	if !s.copying.TryLock() {
		refuse(w, &refusal{status: http.StatusServiceUnavailable, wait: 10 * time.Second, reason: "a copy is being sent already; try again when it is through"})
		return
	}
	defer s.copying.Unlock()
	_ = http.NewResponseController(w).SetWriteDeadline(time.Now().Add(copyTime)) // of a server; tests have none
	out := &fileWriter{w: w, kind: "application/octet-stream", name: "fanwarden-" + s.now().UTC().Format("20060102T150405Z") + ".db"}
	err := s.desk.Backup(out)
	switch {
	case err != nil && out.began:
		panic(http.ErrAbortHandler)
	case err != nil:
		answerJSON(w, http.StatusServiceUnavailable, errorAnswer{"no copy was made: " + err.Error()})
	}
}

// fileWriter begins the answer with the first byte, so that what fails before it
// can be told by its status.
type fileWriter struct {
	w          http.ResponseWriter
	kind, name string
	began      bool
}

// Write sends a piece.
func (c *fileWriter) Write(piece []byte) (int, error) {
	if !c.began {
		c.began = true
		c.w.Header().Set("Content-Type", c.kind)
		c.w.Header().Set("Content-Disposition", `attachment; filename="`+c.name+`"`)
	}
	return c.w.Write(piece)
}
