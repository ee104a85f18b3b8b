package web

import (
	"compress/gzip"
	"io"
	"net/http/httptest"
	"strings"
	"testing"
	"testing/fstest"
	"unicode/utf8"

	"fanwarden/config"
	"fanwarden/export/internal/sample"
	"fanwarden/rules/condition"
)

// assetPath is where a file of this program is served.
func assetPath(name string) string { return embedded().path() + "/" + name }

func TestTheShellNamesTheFleetAndItsFiles(t *testing.T) {
	got := ask(showing(sample.Campus()), "GET", "/fans/alder-ef1").Body.String()
	for _, want := range []string{"<title>Harbor College", `type="module" src="` + assetPath("app.js") + `"`, "<noscript>"} {
		if !strings.Contains(got, want) {
			t.Errorf("the shell has no %s: %s", want, got)
		}
	}
}

func TestHostileNamesAreTextOnly(t *testing.T) {
	s := sample.Campus()
	s.Fleet.Name, s.Version = sample.Hostile, sample.Hostile
	for _, b := range s.Fleet.Buildings {
		b.Name = sample.Hostile
	}
	for _, g := range s.Fleet.Gateways {
		g.ID, g.URL = sample.Hostile, sample.Hostile
	}
	for _, f := range s.Fans {
		c := f.Fan
		c.ID, c.Name, c.Location, c.Serves = sample.Hostile, sample.Hostile, sample.Hostile, sample.Hostile
		for i := range f.Standing {
			f.Standing[i].Finding = condition.Finding{Summary: sample.Hostile,
				Evidence: []condition.Number{{Name: sample.Hostile, Value: 1}},
				Causes:   []condition.Cause{{What: sample.Hostile, Check: sample.Hostile}}}
		}
	}
	shell := ask(showing(s), "GET", "/").Body.String()
	if !strings.Contains(shell, "<title>&lt;script&gt;alert(&#34;x&#34;)") {
		t.Error("the name is not shown as text")
	}
	if strings.Contains(shell, "<script>") || strings.Contains(shell, "\u202E") || !utf8.ValidString(shell) {
		t.Error("the shell has a script in it, an override of direction, or is not UTF-8")
	}
	for _, path := range []string{"/api/v1/fleet", "/api/v1/site"} {
		json := ask(showing(s), "GET", path).Body.String()
		if strings.Contains(json, "<script") || !utf8.ValidString(json) {
			t.Errorf("%s has markup in it or is not UTF-8", path)
		}
	}
}

func TestAssetsArePackedWhereThatIsTaken(t *testing.T) {
	long := strings.Repeat("let fan = 1;\n", 100)
	l, err := newLibrary(fstest.MapFS{"deep/a.js": {Data: []byte(long)}, "b.css": {Data: []byte("p{}")}, "c.txt": {Data: []byte("x")}})
	if err != nil || len(l.files) != 2 {
		t.Fatalf("%v %v", l, err)
	}
	for accepted, packed := range map[string]bool{"": false, "gzip": true, "br, GZIP;q=0.5": true, "gzip;q=0": false,
		"gzip; q=0.0": false, "deflate, gzip": true, "x-gzip": false, "identity": false} {
		r := httptest.NewRequest("GET", "/", nil)
		r.Header.Set("Accept-Encoding", accepted)
		r.SetPathValue("print", l.print)
		r.SetPathValue("file", "deep/a.js")
		w := httptest.NewRecorder()
		l.ServeHTTP(w, r)
		body := io.Reader(w.Body)
		if got := w.Header().Get("Content-Encoding") == "gzip"; got != packed {
			t.Errorf("%q: packed %v", accepted, got)
		} else if got {
			if body, err = gzip.NewReader(w.Body); err != nil {
				t.Fatal(err)
			}
		}
		if text, err := io.ReadAll(body); string(text) != long || err != nil {
			t.Errorf("%q: %d bytes, %v", accepted, len(text), err)
		}
		if w.Header().Get("Vary") != "Accept-Encoding" || !strings.Contains(w.Header().Get("Cache-Control"), "immutable") {
			t.Errorf("%q: %v", accepted, w.Header())
		}
	}
	if l.files["b.css"].packed != nil {
		t.Error("what packing makes longer is packed")
	}
}

func TestAnotherContentHasAnotherAddress(t *testing.T) {
	print := func(name, content string) string {
		l, err := newLibrary(fstest.MapFS{name: {Data: []byte(content)}})
		if err != nil {
			t.Fatal(err)
		}
		return l.print
	}
	if print("a.js", "1") == print("a.js", "2") || print("a.js", "1") == print("b.js", "1") || print("a.js", "1") != print("a.js", "1") {
		t.Error("the print does not follow the content")
	}
}

func TestLoginLeadsBack(t *testing.T) {
	h := atDesk(t, newDesk(t))
	if w := ask(h, "GET", "/login?back=/fans/alder-ef1"); w.Code != 401 || w.Header().Get("WWW-Authenticate") == "" {
		t.Errorf("nobody is asked for a password: %d", w.Code)
	}
	for back, want := range map[string]string{
		"":                                   "/",
		"?back=/fans/alder-ef1":              "/fans/alder-ef1",
		"?back=/alarms%3Fshow%3Djournal%23a": "/alarms?show=journal#a",
		"?back=//evil.example/":              "",
		"?back=https://evil.example/":        "",
		"?back=/%5Cevil.example/":            "",
		"?back=%5C/evil.example/":            "",
		"?back=/%09/evil.example/":           "",
		"?back=javascript:alert(1)":          "",
		"?back=fans":                         "",
		"?to=/":                              "",
	} {
		w := asKim(h, "GET", "/login"+back, "")
		if got := w.Header().Get("Location"); got != want || (w.Code == 303) != (want != "") || want == "" && w.Code != 400 {
			t.Errorf("%s: %d to %q, want %q", back, w.Code, got, want)
		}
	}
	nobody := handling(newDesk(t), func() config.Web { return config.Web{} })
	if w := ask(nobody, "GET", "/login"); w.Code != 403 || !strings.Contains(w.Body.String(), "names no users") {
		t.Errorf("where there are no users: %d %s", w.Code, w.Body)
	}
}
