package web

import (
	"encoding/json"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fanwarden/export/internal/sample"
	"fanwarden/rules/alarm"
)

// Whatever is sent to a route that acts, it is done or refused with a reason, and
// what comes into the journal can be shown and does not grow without bounds.
func FuzzBody(f *testing.F) {
	for _, body := range []string{`{}`, `{"note": "on my way"}`, `{"for": "8h", "reason": "belt on order"}`, `{"until": 1767596400, "reason": "r"}`,
		`{"until": "2026-01-05T08:00:00+01:00", "reason": "\u202e"}`, `{"reason": "motor"}`, `[`, `{"for": -1e999, "reason": "r"}`, "{\"note\": \"\xff\"}"} {
		for which := range 5 {
			f.Add(which, body)
		}
	}
	web := people(f)
	paths := []string{act, "/api/v1/alarms/" + pinned + "/shelve", "/api/v1/alarms/" + deadGate + "/unshelve",
		"/api/v1/fans/alder-ef2/out_of_service", "/api/v1/fans/alder-ef2/in_service"}
	f.Fuzz(func(t *testing.T, which int, body string) {
		d := newDesk(t)
		before := len(d.entries)
		w := withToken(d, web.Tokens, paths[uint(which)%uint(len(paths))], body)
		if !slices.Contains([]int{200, 400, 413}, w.Code) || !json.Valid(w.Body.Bytes()) {
			t.Fatalf("%d %s", w.Code, w.Body)
		}
		if reason, _ := decoded(t, w.Body.Bytes())["error"].(string); (reason == "") != (w.Code == http.StatusOK) {
			t.Errorf("%d %s", w.Code, w.Body)
		}
		if w.Code != 200 && len(d.entries) != before {
			t.Errorf("it was refused and done: %s", w.Body)
		}
		for _, e := range d.entries[before:] {
			if e.Who != "tickets" || !utf8.ValidString(e.Why) || strings.ContainsFunc(e.Why, hidden) || utf8.RuneCountInString(e.Why) > mostText {
				t.Errorf("the journal says %q: %q", e.Who, e.Why)
			}
		}
		if a, _ := d.book.Find(pinned); a.Shelf != nil && a.Shelf.Until.Sub(sample.Now()) > alarm.LongestShelf {
			t.Errorf("shelved until %v", a.Shelf.Until)
		}
	})
}

// Whatever is asked for, it is answered or refused with a reason.
func FuzzQuery(f *testing.F) {
	for _, query := range []string{"", "state=all", "state=active&building=alder&limit=5", "from=2026-01-05T06:00:00Z&to=1767596400", "limit=-1",
		"%zz", "a;b", "from=1e400", "who=kim&who=lee"} {
		f.Add(query)
	}
	d := newDesk(f)
	h := atDesk(f, d)
	f.Fuzz(func(t *testing.T, query string) {
		for _, path := range []string{"/api/v1/alarms", "/api/v1/journal", "/api/v1/alarms/figures"} {
			r := &http.Request{Method: "GET", Host: "fans.example", Header: http.Header{}, RemoteAddr: home}
			r.URL = pathAndQuery(path, query)
			w := answered(h, r)
			reason, _ := decoded(t, w.Body.Bytes())["error"].(string)
			if w.Code != 200 && w.Code != 400 || (reason == "") != (w.Code == 200) {
				t.Errorf("%s?%s: %d %s", path, query, w.Code, w.Body)
			}
		}
	})
}

// A time that is read is the one that was meant.
func FuzzTime(f *testing.F) {
	for _, text := range []string{"2026-01-05T06:31:10Z", "1767596400", "1767596400.25", "0", "-1", "253402300799", "NaN", "0x10", "1_0"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		at, ok := parseTime(text)
		if !ok {
			return
		}
		again, ok := parseTime(at.UTC().Format(time.RFC3339Nano))
		if !ok || !again.Equal(at) {
			t.Errorf("%q is %v, and that is %v", text, at, again)
		}
	})
}
