package web

import (
	"context"
	"encoding/json"
	"net/http"
	"strings"
	"testing"

	"fanwarden/export/internal/sample"
)

// Whatever is asked of the events, it is refused with a reason, or followed in
// messages of which no name breaks out.
func FuzzEvents(f *testing.F) {
	for _, query := range []string{"", "topic=summary&topic=alarms&topic=marks", "topic=building:alder", "topic=fan:alder-ef2&topic=fan:alder-ef2",
		"topic=fan:%0Aevent:%20alarms%0Adata:%20{}%0A%0A", "topic=building:%00%ff", "topic=fan:", "topic=FAN:x", "topics=summary", "%zz", strings.Repeat("topic=fan:x&topic=fan:y&", 9)} {
		f.Add(query)
	}
	h := showing(sample.Campus())
	f.Fuzz(func(t *testing.T, query string) {
		ctx, end := context.WithCancel(context.Background())
		end() // one round of messages, and it is over
		r := (&http.Request{Method: "GET", Host: "fans.example", Header: http.Header{}, RemoteAddr: home}).WithContext(ctx)
		r.URL = pathAndQuery("/api/v1/events", query)
		w := answered(h, r)
		if w.Code != http.StatusOK {
			if reason, _ := decoded(t, w.Body.Bytes())["error"].(string); w.Code != http.StatusBadRequest || reason == "" {
				t.Fatalf("%q: %d %s", query, w.Code, w.Body)
			}
			return
		}
		for _, message := range strings.Split(strings.TrimSuffix(w.Body.String(), "\n\n"), "\n\n") {
			lines := strings.Split(message, "\n")
			if len(lines) == 1 && lines[0] == "retry: 2000" {
				continue
			}
			if len(lines) != 3 || !strings.HasPrefix(lines[0], "id: ") || !strings.HasPrefix(lines[1], "event: ") ||
				!json.Valid([]byte(strings.TrimPrefix(lines[2], "data: "))) {
				t.Fatalf("%q: the message %q", query, message)
			}
		}
	})
}
