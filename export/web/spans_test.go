package web

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// life writes the journal of a fan, in minutes before now: "raise 90 page" is
// a condition that was raised, "clear 60 recovered" one that went.
func life(t *testing.T, happened ...string) *paperDesk {
	t.Helper()
	d := &paperDesk{book: alarm.NewBook(nil, nil)}
	for _, line := range happened {
		var what, how string
		var minutes int
		if _, err := fmt.Sscan(line, &what, &minutes, &how); err != nil {
			t.Fatal(line, err)
		}
		at := sample.Now().Add(-time.Duration(minutes) * time.Minute)
		c := condition.Transition{Time: at, Fan: "alder-ef1", Gateway: "alder-roof", Condition: condition.Hunting}
		var severity condition.Severity
		switch {
		case what == "raise" && severity.UnmarshalText([]byte(how)) == nil:
			c.Change, c.Severity = condition.Raised, severity
			d.note(d.book.Take(&c), nil)
		case what == "clear":
			c.Change, c.Reason = condition.Cleared, condition.Reason(how)
			if c.Reason == condition.Silenced {
				c.SilencedBy = condition.InvertedSign
			}
			d.note(d.book.Take(&c), nil)
		case what == "acknowledge":
			d.note(d.book.Acknowledge(d.book.All()[0].ID, how, "seen", at))
		case what == "out":
			d.note(d.book.TakeOut("alder-ef1", how, "motor", at))
		case what == "in":
			d.note(d.book.PutIn("alder-ef1", how, at))
		default:
			t.Fatal(line)
		}
	}
	return d
}

// minutesAgo writes a time of an answer.
func minutesAgo(text any) string {
	at, err := time.Parse(time.RFC3339, fmt.Sprint(text))
	if err != nil {
		return "now"
	}
	return fmt.Sprint(sample.Now().Sub(at).Minutes())
}

func TestWhenConditionsStood(t *testing.T) {
	for name, c := range map[string]struct {
		happened []string
		query    string // in minutes before now: from, to
		want     string // spans and acts
	}{
		"nothing":                  {nil, "1440 0", ""},
		"over":                     {[]string{"raise 90 page", "clear 60 recovered"}, "1440 0", "page 90-60 recovered"},
		"stands":                   {[]string{"raise 90 note"}, "1440 0", "note 90-now"},
		"began before":             {[]string{"raise 90 note", "clear 60 recovered"}, "70 0", "note 90-60 recovered"},
		"ended after":              {[]string{"raise 90 note", "clear 60 recovered"}, "100 70", "note 90-60 recovered"},
		"around it":                {[]string{"raise 90 note", "clear 60 recovered"}, "80 70", "note 90-60 recovered"},
		"stands around it":         {[]string{"raise 90 note"}, "80 70", "note 90-now"},
		"before it":                {[]string{"raise 90 note", "clear 60 recovered"}, "50 0", ""},
		"after it":                 {[]string{"raise 90 note", "clear 60 recovered"}, "200 100", ""},
		"twice, one alarm":         {[]string{"raise 90 note", "clear 60 recovered", "raise 55 note", "clear 50 recovered"}, "1440 0", "note 90-60 recovered, note 55-50 recovered"},
		"twice, two alarms":        {[]string{"raise 90 note", "clear 60 recovered", "acknowledge 59 kim", "raise 20 note"}, "1440 0", "note 90-60 recovered, note 20-now; kim acknowledged 59 hunting"},
		"the first is before":      {[]string{"raise 90 note", "clear 60 recovered", "raise 55 note"}, "57 0", "note 55-now"},
		"in the same instant":      {[]string{"raise 90 note", "clear 60 silenced", "raise 60 note"}, "1440 0", "note 90-60 silenced inverted_sign, note 60-now"},
		"more urgent":              {[]string{"raise 90 note", "clear 60 superseded", "raise 60 page"}, "50 0", "page 90-now"},
		"more urgent, and over":    {[]string{"raise 90 note", "clear 60 superseded", "raise 60 page", "clear 40 recovered"}, "1440 0", "page 90-40 recovered"},
		"more urgent on the way":   {[]string{"raise 90 note", "raise 60 page", "clear 40 recovered"}, "1440 0", "page 90-40 recovered"},
		"told twice":               {[]string{"raise 90 note", "raise 60 note"}, "1440 0", "note 90-now"},
		"acts":                     {[]string{"raise 90 note", "acknowledge 80 kim", "out 70 kim", "in 60 lee"}, "1440 0", "note 90-now; kim acknowledged 80 hunting; kim taken out of service 70 ; lee put into service 60 "},
		"acts outside":             {[]string{"out 70 kim", "in 60 lee"}, "65 0", "; lee put into service 60 "},
		"acknowledged when over":   {[]string{"raise 90 note", "clear 60 recovered", "acknowledge 30 kim"}, "40 0", "; kim acknowledged 30 hunting"},
		"chattering":               {[]string{"raise 90 note", "clear 88 recovered", "raise 86 note", "clear 84 recovered", "raise 82 note", "clear 80 disarmed"}, "85 0", "note 86-84 recovered, note 82-80 disarmed"},
		"silenced, as at the time": {[]string{"raise 90 ticket", "clear 60 silenced"}, "1440 0", "ticket 90-60 silenced inverted_sign"},
	} {
		var from, to int
		fmt.Sscan(c.query, &from, &to)
		now := sample.Now().Unix()
		w := ask(atDesk(t, life(t, c.happened...)), "GET", fmt.Sprintf("/api/v1/fans/alder-ef1/spans?from=%d&to=%d", now-int64(from)*60, now-int64(to)*60))
		answer := decoded(t, w.Body.Bytes())
		var spans, acts []string
		for _, one := range answer["spans"].([]any) {
			s := one.(map[string]any)
			words := fmt.Sprint(s["severity"], " ", minutesAgo(s["from"]), "-", minutesAgo(s["to"]))
			for _, key := range []string{"reason", "silenced_by"} {
				if s[key] != nil {
					words += fmt.Sprint(" ", s[key])
				}
			}
			spans = append(spans, words)
		}
		for _, one := range answer["acts"].([]any) {
			a := one.(map[string]any)
			about, _ := a["condition"].(string)
			acts = append(acts, fmt.Sprint("; ", a["who"], " ", a["what"], " ", minutesAgo(a["time"]), " ", about))
		}
		if got := strings.Join(spans, ", ") + strings.Join(acts, ""); got != c.want {
			t.Errorf("%s: %q, want %q", name, got, c.want)
		}
	}
}

// Between a look into the book of alarms and the journal a condition may come
// and go.
func TestTheBookIsOlderThanTheJournal(t *testing.T) {
	all := life(t, "raise 90 note", "clear 60 recovered", "raise 55 note", "clear 10 recovered").entries
	for n := range len(all) + 1 {
		d := &paperDesk{book: alarm.NewBook(nil, nil), entries: all}
		if n > 0 {
			d.book.Keep([]alarm.Alarm{*all[n-1].Alarm}, nil)
		}
		w := ask(atDesk(t, d), "GET", "/api/v1/fans/alder-ef1/spans")
		spans := decoded(t, w.Body.Bytes())["spans"].([]any)
		if len(spans) != 2 || spans[0].(map[string]any)["to"] == nil || spans[1].(map[string]any)["to"] == nil {
			t.Errorf("with a book of entry %d: %s", n, w.Body)
		}
	}
	// What stands longer than the journal remembers.
	d := life(t, "raise 90 note", "acknowledge 80 kim")
	d.entries = nil
	w := ask(atDesk(t, d), "GET", "/api/v1/fans/alder-ef1/spans")
	if spans := decoded(t, w.Body.Bytes())["spans"].([]any); len(spans) != 1 || minutesAgo(spans[0].(map[string]any)["from"]) != "90" {
		t.Errorf("%s", w.Body)
	}
}

func TestSpansOfFansThatAreGone(t *testing.T) {
	d := life(t, "raise 90 note")
	for i := range d.entries {
		d.entries[i].Alarm.Fan = "sold"
	}
	d.book = alarm.NewBook(nil, nil)
	for fan, status := range map[reading.FanID]int{"sold": 200, "alder-ef2": 200, "nobody": 404} {
		if w := ask(atDesk(t, d), "GET", "/api/v1/fans/"+string(fan)+"/spans"); w.Code != status {
			t.Errorf("%s: %d %s", fan, w.Code, w.Body)
		}
	}
	d.broken = errDisk
	if w := ask(atDesk(t, d), "GET", "/api/v1/fans/sold/spans"); w.Code != 503 || !strings.Contains(w.Body.String(), "the disk is on fire") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}
