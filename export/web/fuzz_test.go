package web

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

// Whatever a fleet or fan is called, the shell keeps its elements and the JSON
// its fields.
func FuzzName(f *testing.F) {
	f.Add("Bath risers 1-4")
	f.Add(sample.Hostile)
	f.Add("</title></head><img src=x onerror=alert(1)>")
	shell := func(s *export.Snapshot) string { return ask(showing(s), "GET", "/").Body.String() }
	before := strings.Count(shell(sample.Campus()), "<")
	f.Fuzz(func(t *testing.T, name string) {
		s := sample.Campus()
		s.Fleet.Name, s.Fans[1].Fan.Name = name, name
		got := shell(s)
		if n := strings.Count(got, "<"); n != before {
			t.Errorf("%q makes %d tags of %d", name, n, before)
		}
		if !utf8.ValidString(got) || strings.ContainsFunc(got, hidden) {
			t.Errorf("%q brings something into the shell that is not text", name)
		}
		if id := decoded(t, ask(showing(s), "GET", "/api/v1/fans/alder-ef2").Body.Bytes())["id"]; id != "alder-ef2" {
			t.Errorf("%q changes the fan's id to %v", name, id)
		}
	})
}

func hidden(r rune) bool {
	return unicode.Is(unicode.Bidi_Control, r) || unicode.IsControl(r) && r != '\n'
}
