package web

import (
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"fanwarden/export/internal/sample"
)

// Whatever a fan is called, the page keeps its elements and the JSON its
// fields.
func FuzzName(f *testing.F) {
	f.Add("Bath risers 1-4")
	f.Add(sample.Hostile)
	f.Add("</bdi></th></tr></table><img src=x onerror=alert(1)>")
	before := strings.Count(page(sample.Campus()), "<")
	f.Fuzz(func(t *testing.T, name string) {
		s := sample.Campus()
		s.Fans[1].Fan.Name = name
		got := page(s)
		// Its location or id is shown under a name; one more or less is no harm.
		if n := strings.Count(got, "<"); n != before && n != before-4 && n != before+4 {
			t.Errorf("%q makes %d tags of %d", name, n, before)
		}
		if !utf8.ValidString(got) || strings.ContainsFunc(got, hidden) {
			t.Errorf("%q brings something into the page that is not text", name)
		}
		if id := decoded(t, ask(showing(s), "GET", "/api/v1/fans/alder-ef2").Body.Bytes())["id"]; id != "alder-ef2" {
			t.Errorf("%q changes the fan's id to %v", name, id)
		}
	})
}

func hidden(r rune) bool {
	return unicode.Is(unicode.Bidi_Control, r) || unicode.IsControl(r) && r != '\n'
}
