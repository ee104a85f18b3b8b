package web

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"net/http"
	"net/http/httptest"
	"regexp"
	"strings"
	"testing"
	"testing/synctest"
	"time"
	"unicode/utf8"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// reporting answers for a campus of which some readings are kept, at a time.
func reporting(s *export.Snapshot, desk Desk, kept History, now time.Time) http.Handler {
	return Handler(Options{Snapshot: func() *export.Snapshot { return s }, Now: func() time.Time { return now }, Desk: desk, History: kept})
}

// rated is the sample's campus with a motor that is known.
func rated() *export.Snapshot {
	s := sample.Campus()
	s.Fans[0].Fan.RatedPower = 250
	return s
}

// creeping is the paper desk with a fan whose load creeps.
func creeping(t testing.TB) *paperDesk {
	d := newDesk(t)
	d.note(d.book.Take(&condition.Transition{Time: sample.Now().Add(-time.Hour), Building: "alder", Gateway: "alder-roof", Fan: "alder-ef1",
		Condition: condition.CreepingLoad, Change: condition.Raised, Finding: condition.Finding{Summary: "It needs 7 points more than in its first weeks.",
			Evidence: []condition.Number{{Name: "excess_speed", Value: 0.07}, {Name: "setpoint_pa", Value: -30}, {Name: "weeks", Value: 5}}}}), nil)
	return d
}

func TestReportGolden(t *testing.T) {
	h := reporting(rated(), creeping(t), paperHistory{}, sample.Now())
	for name, path := range map[string]string{
		"report.html":           "/reports/alder/2026-01",
		"report.csv":            "/reports/alder/2026-01.csv",
		"report_conditions.csv": "/reports/alder/2026-01.csv?of=conditions",
		"report.json":           "/api/v1/reports/alder/2026-01",
		"reports.json":          "/api/v1/reports",
	} {
		w := ask(h, "GET", path)
		body := bytes.ReplaceAll(w.Body.Bytes(), []byte(embedded().print), []byte("PRINT"))
		if strings.HasSuffix(name, ".json") {
			var indented bytes.Buffer
			if err := json.Indent(&indented, body, "", "  "); err != nil {
				t.Fatalf("%s: %v", path, err)
			}
			body = indented.Bytes()
		}
		if w.Code != 200 {
			t.Fatalf("%s: %d %s", path, w.Code, w.Body)
		}
		golden(t, name, body)
	}
}

func TestTablesAreFiles(t *testing.T) {
	h := reporting(rated(), newDesk(t), paperHistory{}, sample.Now())
	for path, name := range map[string]string{"/reports/alder/2026-01.csv": "alder-2026-01.csv", "/reports/alder/2026-01.csv?of=fans": "alder-2026-01.csv",
		"/reports/alder/2026-01.csv?of=conditions": "alder-2026-01-conditions.csv"} {
		w := ask(h, "GET", path)
		rows, err := csv.NewReader(w.Body).ReadAll() // which wants rows of one length
		if err != nil || len(rows) < 3 || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" ||
			w.Header().Get("Content-Disposition") != `attachment; filename="`+name+`"` {
			t.Errorf("%s: %v, %d rows, %v", path, err, len(rows), w.Header())
		}
	}
}

// A spreadsheet takes what begins with one of these for a formula (OWASP, CSV
// Injection).
func TestNoCellIsAFormula(t *testing.T) {
	for text, want := range map[string]string{
		"Bath riser A": "Bath riser A", "": "", "12 rooms": "12 rooms", "a=b": "a=b",
		"=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@SUM(A1)": "'@SUM(A1)", "\t=1": "' =1", " =1": "' =1", "\r\n=1": "'  =1",
		"=cmd|' /C calc'!A0": "'=cmd|' /C calc'!A0", "|calc": "'|calc", "%0A": "'%0A", "＝1": "'＝1", "\u00a0@x": "'\u00a0@x", "\ufeff=1": "'\ufeff=1",
	} {
		if got := cell(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
	s := sample.Campus()
	s.Fans[0].Fan.Name = `=HYPERLINK("https://example.com","x")`
	rows, err := csv.NewReader(ask(reporting(s, nil, paperHistory{}, sample.Now()), "GET", "/reports/alder/2026-01.csv").Body).ReadAll()
	if err != nil || rows[1][2] != `'=HYPERLINK("https://example.com","x")` {
		t.Errorf("%v %q", err, rows)
	}
}

func TestReportsThatCannotBe(t *testing.T) {
	full := sample.Campus()
	empty := sample.Campus()
	empty.Fleet.Buildings = append(empty.Fleet.Buildings, &config.Building{ID: "cedar", Name: "Cedar Hall"})
	broken := paperHistory{err: errors.New("the disk is gone")}
	for name, c := range map[string]struct {
		snapshot *export.Snapshot
		kept     History
		path     string
		status   int
		says     string
	}{
		"no such building":    {full, paperHistory{}, "x/2026-01", 404, "there is no building \"x\"; /reports lets you choose"},
		"unreadable":          {full, paperHistory{}, "alder/2026-1", 400, "\"2026-1\" is no month; write year and month, as in 2026-01"},
		"next month":          {full, paperHistory{}, "alder/2026-02", 404, "2026-02 has not begun yet; the latest month is 2026-01"},
		"before all readings": {full, paperHistory{empty: true}, "alder/2025-11", 404, "nothing is kept of Alder Hall in 2025-11: readings go back to 6 December 2025; a longer [store] keep"},
		"nothing recorded":    {full, paperHistory{empty: true}, "alder/2026-01", 404, "no reading of its fans was recorded; look at its gateways"},
		"no fans":             {empty, paperHistory{}, "cedar/2026-01", 404, "the fleet file has no fans in it"},
		"no history":          {full, nil, "alder/2026-01", 503, "give [store] dir a folder"},
		"the disk":            {full, broken, "alder/2026-01", 503, "no report was made: the disk is gone"},
		"starting":            {nil, paperHistory{}, "alder/2026-01", 503, "the daemon is starting"},
		"a key":               {full, paperHistory{}, "alder/2026-01?month=1", 400, "nothing that can be asked for here"},
	} {
		h := reporting(c.snapshot, nil, c.kept, sample.Now())
		data := ask(h, "GET", "/api/v1/reports/"+c.path)
		if got, _ := decoded(t, data.Body.Bytes())["error"].(string); data.Code != c.status || !strings.Contains(got, c.says) {
			t.Errorf("%s: %d %s", name, data.Code, data.Body)
		}
		page := ask(h, "GET", "/reports/"+c.path)
		says := strings.ReplaceAll(sentence(c.says), `"`, "&#34;")
		if page.Code != c.status || !strings.Contains(page.Body.String(), says[1:len(says)-1]) || !strings.Contains(page.Body.String(), `<a href="/reports">`) {
			t.Errorf("%s: %d %s", name, page.Code, page.Body)
		}
		building, rest, _ := strings.Cut(c.path, "/")
		month, query, _ := strings.Cut(rest, "?")
		table := ask(h, "GET", "/reports/"+building+"/"+month+".csv?"+query)
		if table.Code != c.status || !strings.Contains(table.Body.String(), c.says) || table.Header().Get("Content-Type") != "text/plain; charset=utf-8" {
			t.Errorf("%s: %d %s", name, table.Code, table.Body)
		}
	}
	if w := ask(reporting(full, nil, paperHistory{}, sample.Now()), "GET", "/reports/alder/2026-01.csv?of=energy"); w.Code != 400 || !strings.Contains(w.Body.String(), "it may be fans, conditions") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := ask(reporting(full, nil, nil, sample.Now()), "GET", "/api/v1/reports"); w.Code != 503 {
		t.Errorf("the months without a history: %d", w.Code)
	}
}

// No name of the fleet file and nothing that a rule says becomes markup.
func TestAReportOfHostileNames(t *testing.T) {
	s, d := sample.Campus(), newDesk(t)
	for _, f := range s.Fans {
		f.Fan.Name = sample.Hostile
	}
	s.Fleet.Name, s.Version, s.Fleet.Buildings[0].Name = sample.Hostile, sample.Hostile, sample.Hostile
	d.note(d.book.Take(&condition.Transition{Time: sample.Now(), Building: "alder", Gateway: sample.Hostile, Fan: "", Condition: condition.CreepingLoad,
		Change: condition.Raised, Finding: condition.Finding{Summary: sample.Hostile, Evidence: []condition.Number{{Name: sample.Hostile, Value: 1}}}}), nil)
	page := ask(reporting(s, d, paperHistory{}, sample.Now().Add(time.Minute)), "GET", "/reports/alder/2026-01").Body.String()
	if strings.Contains(page, "<script") || strings.Contains(page, "\u202E") || !utf8.ValidString(page) {
		t.Error("the report has a script in it, an override of direction, or is not UTF-8")
	}
	if styled := regexp.MustCompile(`(?i)\s(style|on\w+)=`).FindString(page); styled != "" {
		t.Errorf("the report has %q, which its policy forbids", styled)
	}
}

// The clocks of Chicago are set forward on 8 March 2026 and back on 1 November
// (15 U.S.C. 260a).
func TestMonthsOnWhichClocksAreSet(t *testing.T) {
	zone, err := time.LoadLocation("America/Chicago")
	if err != nil {
		t.Fatal(err)
	}
	s := sample.Campus()
	s.Fleet.Location = zone
	h := reporting(s, nil, paperHistory{}, time.Date(2026, 12, 5, 0, 0, 0, 0, zone))
	for month, c := range map[string]struct {
		covers string
		h      float64
	}{
		"2026-03": {"Sun 1 Mar 2026 00:00 CST to Wed 1 Apr 2026 00:00 CDT", 743},
		"2026-11": {"Sun 1 Nov 2026 00:00 CDT to Tue 1 Dec 2026 00:00 CST", 721},
	} {
		if page := ask(h, "GET", "/reports/alder/"+month).Body.String(); !strings.Contains(page, "<dd>"+c.covers+"</dd>") {
			t.Errorf("%s does not cover %s", month, c.covers)
		}
		answer := decoded(t, ask(h, "GET", "/api/v1/reports/alder/"+month).Body.Bytes())
		fan := answer["fans"].([]any)[0].(map[string]any)
		if sum := fan["recorded_s"].(float64) + fan["unanswered_s"].(float64) + fan["missing_s"].(float64); sum != c.h*3600 || answer["whole"] != true {
			t.Errorf("%s has %g h", month, sum/3600)
		}
	}
}

func TestMonthsOfWhichReadingsAreKept(t *testing.T) {
	s := sample.Campus()
	for name, c := range map[string]struct {
		oldest time.Time
		now    time.Time
		want   string
	}{
		"nothing known":        {time.Time{}, sample.Now(), "2026-01"},
		"this month":           {sample.Now().Add(-time.Hour), sample.Now(), "2026-01"},
		"since the last month": {sample.Now().Add(-5 * 24 * time.Hour), sample.Now(), "2026-01 2025-12"},
		"a whole month":        {sample.Now().Add(-40 * 24 * time.Hour), sample.Now(), "2026-01 2025-12 whole 2025-11"},
		"a clock set back":     {sample.Now().Add(90 * 24 * time.Hour), sample.Now(), "2026-01"},
		"the first local hour": {time.Date(2026, 2, 1, 5, 59, 0, 0, time.UTC), time.Date(2026, 2, 1, 6, 1, 0, 0, time.UTC), "2026-02 2026-01"},
	} {
		s.History.Oldest = c.oldest
		var got []string
		for _, m := range describeMonths(s, c.now).Months {
			got = append(got, m.Month)
			if m.Whole {
				got = append(got, "whole")
			}
		}
		if strings.Join(got, " ") != c.want {
			t.Errorf("%s: %v, want %s", name, got, c.want)
		}
	}
}

// waits gives its readings when it is let.
type waits struct {
	paperHistory
	asked chan struct{}
	let   chan struct{}
}

func (s waits) Readings(ctx context.Context, _ reading.FanID, _ reading.Point, _, _ time.Time, _ func(*reading.Reading, condition.Mode) error) error {
	s.asked <- struct{}{}
	select {
	case <-s.let:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// One report is made at a time: the next one waits for its turn, and not for ever.
func TestOneReportAtATime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		kept := waits{asked: make(chan struct{}, 100), let: make(chan struct{})}
		h := reporting(sample.Campus(), nil, kept, sample.Now())
		ctx, leave := context.WithCancel(t.Context())
		first, second := make(chan int, 1), make(chan *httptest.ResponseRecorder, 1)
		go func() {
			w := httptest.NewRecorder()
			h.ServeHTTP(w, httptest.NewRequestWithContext(ctx, "GET", "/api/v1/reports/alder/2026-01", nil))
			first <- w.Code
		}()
		synctest.Wait()
		began := time.Now()
		go func() { second <- ask(h, "GET", "/api/v1/reports/birch/2026-01") }()
		if w := <-second; w.Code != 503 || !strings.Contains(w.Body.String(), "one at a time") || time.Since(began) != queued {
			t.Errorf("%d after %s: %s", w.Code, time.Since(began), w.Body)
		}
		if len(kept.asked) != 1 {
			t.Errorf("%d fans were read", len(kept.asked))
		}
		go func() { second <- ask(h, "GET", "/api/v1/reports/birch/2026-01") }()
		synctest.Wait()
		leave() // nobody waits for the first any more
		if code := <-first; code != 503 {
			t.Errorf("the first ends with %d", code)
		}
		close(kept.let)
		if w := <-second; w.Code != 404 || !strings.Contains(w.Body.String(), "no reading of its fans was recorded") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	})
}

func TestAJournalThatCannotBeReadIsTold(t *testing.T) {
	d := newDesk(t)
	d.broken = errDisk
	if w := ask(reporting(sample.Campus(), d, paperHistory{}, sample.Now()), "GET", "/api/v1/reports/alder/2026-01"); w.Code != 503 ||
		!strings.Contains(w.Body.String(), "the journal cannot be read: the disk is on fire") {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

// A fan that left the fleet file is named in the reports of the months in which it had
// alarms.
func TestAReportNamesFansThatLeft(t *testing.T) {
	d := newDesk(t)
	d.note(d.book.Take(&condition.Transition{Time: sample.Now().Add(-time.Hour), Building: "alder", Gateway: "alder-roof", Fan: "alder-old",
		Condition: condition.Hunting, Change: condition.Raised, Finding: condition.Finding{Summary: "It swings."}}), nil)
	const says = "1 fan had alarms, is not in the fleet file any more, and its hours are not counted: alder-old."
	for desk, want := range map[*paperDesk]bool{d: true, newDesk(t): false} {
		w := ask(reporting(sample.Campus(), desk, paperHistory{}, sample.Now()), "GET", "/api/v1/reports/alder/2026-01")
		if w.Code != 200 || strings.Contains(w.Body.String(), says) != want {
			t.Errorf("%d, want %v: %s", w.Code, want, w.Body)
		}
	}
}

func TestSharesAndHoursAreNeverRoundedAway(t *testing.T) {
	for part, want := range map[float64]string{0: "0 %", 1: "100 %", 0.0001: "<0.1 %", 0.9999: ">99.9 %", 0.5: "50.0 %", 0.123: "12.3 %"} {
		if got := percent(part); got != want {
			t.Errorf("%g is %q, want %q", part, got, want)
		}
	}
	for d, want := range map[time.Duration]string{0: "0", time.Minute: "<0.1", 3 * time.Minute: "0.1", 90 * time.Minute: "1.5", 744 * time.Hour: "744.0"} {
		if got := hours(d); got != want {
			t.Errorf("%s is %q, want %q", d, got, want)
		}
	}
}
