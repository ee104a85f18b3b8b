package web

import (
	"net/http"
	"testing"
	"time"

	"fanwarden/export/internal/sample"
)

// Whatever time and step are asked for of a history, what is accepted is bounded:
// it ends after it begins, and makes no more steps than are answered.
func FuzzSpan(f *testing.F) {
	for _, query := range []string{"", "from=2026-01-05T06:00:00Z&to=1767596400&step=60", "from=0&to=253402300799&step=1", "step=1e18", "step=NaN", "step=0.9999",
		"from=1767596400&to=1767596400", "to=9999-12-31T23:59:59.999999999Z", "from=0001-01-01T00:00:00Z", "step=2562047h47m16.854775807s", "step=-1h", "step=+Inf"} {
		f.Add(query)
	}
	f.Fuzz(func(t *testing.T, text string) {
		q := asked(&http.Request{URL: pathAndQuery("/", text)}, "from", "to", "step")
		var wanted span
		if q.span(&wanted, sample.Now()); q.wrong != "" {
			return
		}
		length := wanted.to.Sub(wanted.from)
		if length <= 0 || length > longestSpan || wanted.step < time.Second || length/wanted.step >= mostSteps {
			t.Errorf("%q asks from %v to %v by %v", text, wanted.from, wanted.to, wanted.step)
		}
	})
}
