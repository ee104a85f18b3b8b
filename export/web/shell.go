package web

import (
	"bytes"
	"html/template"
	"net/http"
	"net/url"
	"strconv"
	"strings"
)

// shellView is what the shell is told; everything else it asks for.
type shellView struct {
	Fleet  string // its name
	Assets string // the folder that its files are in
}

// shellRoutes are the paths that people see in the address bar. Which page it is
// to be, the shell's script reads from the path.
func (s *site) shellRoutes() []route {
	shell := http.HandlerFunc(s.serveShell)
	return []route{
		{"GET /{$}", toRead, shell},
		{"GET /buildings/{id}", toRead, shell},
		{"GET /fans/{id}", toRead, shell},
		{"GET /alarms", toRead, shell},
		{"GET /reports", toRead, shell},
		{"GET /login", toKnow, http.HandlerFunc(serveLogin)},
		{"GET /assets/{print}/{file...}", nothing, s.library},
	}
}

// serveShell serves the shell as a whole, so that a fault in making it up can
// still be told by its status.
func (s *site) serveShell(w http.ResponseWriter, _ *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		w.Header().Set("Retry-After", "1")
		plain(w, http.StatusServiceUnavailable, waiting(nil))
		return
	}
	var body bytes.Buffer
	if err := s.shell.Execute(&body, shellView{clean(snapshot.Fleet.Name), s.library.path()}); err != nil {
		http.Error(w, "the page could not be made up: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
	_, _ = w.Write(body.Bytes())
}

// serveLogin sends somebody who has logged in back to where they came from. A
// browser that was asked here for a name and a password sends them from then on.
func serveLogin(w http.ResponseWriter, r *http.Request) {
	q := asked(r, "back")
	back, ok := ownPath(q.values.Get("back"))
	if !ok && q.wrong == "" {
		q.wrong = "back must be a path of this site, as in /fans/alder-ef1"
	}
	if q.refused(w) {
		return
	}
	w.Header().Set("Location", back)
	w.WriteHeader(http.StatusSeeOther)
}

// ownPath returns a path of this site, "/" for none. It is not ok for what leads
// a browser to another one.
func ownPath(text string) (path string, ok bool) {
	if text == "" {
		return "/", true
	}
	u, err := url.Parse(text)
	if err != nil || u.Scheme != "" || u.Host != "" || !strings.HasPrefix(text, "/") || strings.HasPrefix(text, "//") {
		return "", false
	}
	return u.String(), !strings.Contains(text, `\`)
}

func shellTemplate() *template.Template {
	return template.Must(template.ParseFS(assets, "assets/"+shellFile))
}
