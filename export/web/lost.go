package web

import (
	"net/http"
	"strings"
)

// lost tells in JSON what asks for a path of the interface that there is not, or
// by a method that the path does not have.
func lost(mux *http.ServeMux) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if _, pattern := mux.Handler(r); pattern == "" && strings.HasPrefix(r.URL.Path, "/api/") {
			w = &lostWriter{ResponseWriter: w, method: r.Method}
		}
		mux.ServeHTTP(w, r)
	})
}

// lostWriter puts our words in the place of the library's.
type lostWriter struct {
	http.ResponseWriter
	method string
}

// WriteHeader answers as a whole.
func (w *lostWriter) WriteHeader(status int) {
	reason := "there is no such path; /api/v1/openapi.json describes those that there are"
	if status == http.StatusMethodNotAllowed {
		reason = w.method + " is not for this path; it takes " + w.Header().Get("Allow")
	}
	answerJSON(w.ResponseWriter, status, errorAnswer{reason})
}

// Write drops the library's words.
func (w *lostWriter) Write(words []byte) (int, error) { return len(words), nil }
