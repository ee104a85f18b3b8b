package web

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// paperHistory gives two steps, with a gap before them, of whatever is asked
// for; err, if set, comes after the rows of a recording.
type paperHistory struct {
	err   error
	empty bool // nothing comes before the error
}

func (p paperHistory) Trend(_ context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time, step time.Duration) (*export.Trend, error) {
	full := export.Bucket{Start: from.Add(2 * step), Readings: 4, Setpoint: -30, SetpointKnown: true, Closed: 1, Contacts: 4}
	for _, v := range []float64{-31, -29, 250, -30} {
		full.Value.Add(v)
		full.Speed.Add(0.5)
	}
	full.Value.Close()
	full.Speed.Close()
	full.Modes[condition.Controlling], full.Outcomes[reading.OK] = 4, 4
	failed := export.Bucket{Start: from.Add(3 * step), Readings: 30_000}
	failed.Modes[condition.Unknown], failed.Outcomes[reading.Timeout], failed.Outcomes[reading.Garbled] = 30_000, 29_999, 1
	return &export.Trend{Fan: fan, Controlled: controlled, From: from, To: to, Step: step, Buckets: []export.Bucket{full, failed}}, p.err
}

func (p paperHistory) Controlled(_ context.Context, fan reading.FanID) (reading.Point, bool) {
	return reading.Airflow, fan == "gone"
}

// Readings gives the last ten minutes of each fan, one every ten seconds: one fan is
// at its top and short of its setpoint, of one the watts are read, the others hold
// theirs.
func (p paperHistory) Readings(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time, yield func(*reading.Reading, condition.Mode) error) error {
	r := reading.Reading{Fan: fan}
	for at := sample.Now().Add(-10 * time.Minute); at.Before(to); at = at.Add(10 * time.Second) {
		if at.Before(from) || p.empty {
			continue
		}
		mode, speed := condition.Controlling, 0.5
		r.Set(controlled, -30)
		if fan == "alder-ef2" {
			mode, speed = condition.AtMax, 1.0
			r.Set(controlled, -12)
			r.Set(reading.Setpoint, -30)
		}
		if fan == "alder-ef3" {
			r.Set(controlled, 0.41)
			r.Set(reading.Power, 400)
		}
		r.Time = at
		r.Set(reading.Speed, speed)
		if err := yield(&r, mode); err != nil {
			return err
		}
	}
	return errors.Join(p.err, ctx.Err())
}

func (p paperHistory) Recording(_ context.Context, out io.Writer, fan reading.FanID, _ reading.Point, from, to time.Time) error {
	if !p.empty {
		fmt.Fprintf(out, "time,fan\n%s,%s\n%s,%s\n", from.UTC().Format(time.RFC3339), fan, to.UTC().Format(time.RFC3339), fan)
	}
	return p.err
}

func askHistory(p History, query string) *httptest.ResponseRecorder {
	full := sample.Campus()
	return ask(Handler(Options{Snapshot: func() *export.Snapshot { return full }, Now: sample.Now, History: p,
		Access: func() config.Web { return config.Web{} }}), "GET", "/api/v1/fans/alder-ef2/history"+query)
}

func TestATrendTellsExtentsAndShares(t *testing.T) {
	w := askHistory(paperHistory{}, "?from=2026-01-05T06:00:00Z&to=1767679200&step=5m")
	const want = `{"fan":"alder-ef2","point":"pressure","unit":"Pa","from":"2026-01-05T06:00:00Z","to":"2026-01-06T06:00:00Z","step_s":300,"steps":[` +
		`{"start":"2026-01-05T06:10:00Z","readings":4,"value":{"min":-31,"max":250,"mean":40,"first":-31,"last":-30},` +
		`"speed":{"min":0.5,"max":0.5,"mean":0.5,"first":0.5,"last":0.5},"setpoint":-30,"high_speed":0.25,"modes":{"controlling":1},"outcomes":{"ok":1}},` +
		`{"start":"2026-01-05T06:15:00Z","readings":30000,"value":null,"speed":null,"setpoint":null,"high_speed":null,"modes":{"unknown":1},` +
		`"outcomes":{"garbled":0.0001,"timeout":0.9999}}]}`
	if got := strings.TrimSpace(w.Body.String()); w.Code != 200 || got != want {
		t.Errorf("%d\n%s\nwant\n%s", w.Code, got, want)
	}
}

func TestWhatATrendIsOfUnlessToldOtherwise(t *testing.T) {
	answer := decoded(t, askHistory(paperHistory{}, "").Body.Bytes())
	now := sample.Now().UTC()
	if answer["to"] != now.Format(time.RFC3339) || answer["from"] != now.Add(-24*time.Hour).Format(time.RFC3339) || answer["step_s"] != 87.0 {
		t.Errorf("%v to %v in steps of %v", answer["from"], answer["to"], answer["step_s"])
	}
}

func TestSpansThatCannotBe(t *testing.T) {
	for query, says := range map[string]string{
		"?from=yesterday":                 "is no time",
		"?from=1000&to=1000":              "from must be before to",
		"?from=1000&to=999":               "from must be before to",
		"?from=1000&to=9000000000":        "ten years",
		"?step=0":                         "a second or more",
		"?step=-5m":                       "a second or more",
		"?step=NaN":                       "a second or more",
		"?step=1e300":                     "a second or more",
		"?step=5x":                        "a second or more",
		"?from=0&to=5001&step=1":          "more than 5000 steps",
		"?form=1":                         "the keys are from, to, step",
		".csv?step=5":                     "the keys are from, to",
		".csv?to=" + url.QueryEscape("x"): "is no time",
	} {
		w := askHistory(paperHistory{}, query)
		if w.Code != 400 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
}

// A fan that left the fleet is remembered for as long as its readings are kept.
func TestAFanThatIsGone(t *testing.T) {
	h := atDesk(t, nil)
	w := ask(h, "GET", "/api/v1/fans/gone/history")
	if answer := decoded(t, w.Body.Bytes()); w.Code != 200 || answer["point"] != "airflow" || answer["unit"] != "m3/s" {
		t.Errorf("%d %s", w.Code, w.Body)
	}
	if w := ask(h, "GET", "/api/v1/fans/never/history"); w.Code != 404 {
		t.Errorf("%d %s", w.Code, w.Body)
	}
}

func TestARecordingIsAFile(t *testing.T) {
	w := askHistory(paperHistory{}, ".csv?from=1767592800&to=1767592860")
	if w.Code != 200 || w.Header().Get("Content-Type") != "text/csv; charset=utf-8" ||
		w.Header().Get("Content-Disposition") != `attachment; filename="alder-ef2.csv"` ||
		w.Body.String() != "time,fan\n2026-01-05T06:00:00Z,alder-ef2\n2026-01-05T06:01:00Z,alder-ef2\n" {
		t.Errorf("%d %v\n%s", w.Code, w.Header(), w.Body)
	}
}

func TestARecordingThatBreaksOffIsNotTakenForWhole(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("it ends as if it were whole")
		}
	}()
	askHistory(paperHistory{err: errors.New("the disk is gone")}, ".csv")
}

func TestHistoryThatCannotBeRead(t *testing.T) {
	broken := paperHistory{err: errors.New("the disk is gone"), empty: true}
	for _, w := range []*httptest.ResponseRecorder{askHistory(broken, ""), askHistory(broken, ".csv")} {
		if w.Code != 503 || !strings.Contains(w.Body.String(), "the disk is gone") {
			t.Errorf("%d %s", w.Code, w.Body)
		}
	}
	for _, query := range []string{"", ".csv"} {
		if w := askHistory(nil, query); w.Code != 503 || !strings.Contains(w.Body.String(), "[store] dir") {
			t.Errorf("%s: %d %s", query, w.Code, w.Body)
		}
	}
}
