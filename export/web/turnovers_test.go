package web

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"net/http"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// The records of alder-ef1, the newest first: a retest, one that was changed in the
// store, one of which half is left, and the first.
const (
	provenAgain  = "20260104T060000.000Z"
	provenBroken = "20260103T060000.000Z"
	provenHalf   = "20260102T060000.000Z"
	provenFirst  = "20260101T060000.000Z"
)

// proof is a record as a store has it.
func proof(began time.Time, verdict turnover.Verdict, retest *turnover.Retest) (*turnover.Record, turnover.Kept) {
	r := &turnover.Record{Format: turnover.RecordFormat, Site: "Harbor <College>", Building: turnover.Named{ID: "alder", Name: "Alder Hall"},
		Fan: turnover.FanRecord{Named: turnover.Named{ID: "alder-ef1", Name: "Bath risers 1-4"}, Controls: "pressure"}, Units: "metric", Who: "kim",
		Witness: "w", Mode: turnover.Passive, Began: began, Ended: began.Add(time.Minute), RetestOf: retest,
		Points: []turnover.PointRecord{{Point: reading.Pressure, Verdict: verdict, Reason: "=1+1"}, {Point: reading.Speed, Verdict: turnover.Pass}}}
	r.Seal()
	data, err := json.Marshal(r)
	if err != nil {
		panic(err) // it is of plain values
	}
	return r, turnover.Kept{Began: began, JSON: data}
}

func (d *paperDesk) Turnovers(fan reading.FanID) ([]turnover.Kept, error) {
	if d.broken != nil || fan != "alder-ef1" {
		return nil, d.broken
	}
	day := func(n int) time.Time { return time.Date(2026, 1, n, 6, 0, 0, 0, time.UTC) }
	r, first := proof(day(1), turnover.Fail, nil)
	was, is := turnover.Fail, turnover.Pass
	retest := &turnover.Retest{SHA256: r.SHA256, Time: r.Began, Since: []turnover.Since{{What: "pressure", Was: &was, Is: &is}, {What: "idle", Is: &was}}}
	_, again := proof(day(4), turnover.Pass, retest)
	_, broken := proof(day(3), turnover.Fail, nil)
	broken.JSON = bytes.Replace(broken.JSON, []byte(`"fail"`), []byte(`"pass"`), 1)
	return []turnover.Kept{again, broken, {Began: day(2), JSON: again.JSON[:100]}, first}, nil
}

func TestTurnoversAreListed(t *testing.T) {
	h := atDesk(t, newDesk(t))
	var list turnoversAnswer
	if err := json.Unmarshal(ask(h, "GET", "/api/v1/fans/alder-ef1/turnovers").Body.Bytes(), &list); err != nil || len(list.Turnovers) != 4 {
		t.Fatalf("%v: %+v", err, list)
	}
	again, broken, half, first := list.Turnovers[0], list.Turnovers[1], list.Turnovers[2], list.Turnovers[3]
	switch {
	case again.ID != provenAgain || broken.ID != provenBroken || half.ID != provenHalf || first.ID != provenFirst:
		t.Errorf("ids %s %s %s %s", again.ID, broken.ID, half.ID, first.ID)
	case again.Who != "kim" || again.Witness != "w" || again.Verdicts["pass"] != 2 || again.Doubt != "" || again.Mode != "passive":
		t.Errorf("%+v", again)
	case again.RetestOf == nil || again.RetestOf.SHA256 != first.SHA256 || strings.Join(again.RetestOf.Mended, " ") != "pressure" || strings.Join(again.RetestOf.Fresh, " ") != "idle":
		t.Errorf("%+v", again.RetestOf)
	case !strings.Contains(broken.Doubt, "was changed since it was sealed") || !strings.Contains(half.Doubt, "no record of a turnover"):
		t.Errorf("%q, %q", broken.Doubt, half.Doubt)
	case first.Verdicts["fail"] != 1 || first.RetestOf != nil:
		t.Errorf("%+v", first)
	}
	for _, one := range list.Turnovers {
		want := http.StatusOK
		if one.Doubt != "" {
			want = http.StatusInternalServerError
		}
		for _, path := range []string{one.Page, one.Table, one.Record} {
			if w := ask(h, "GET", path); w.Code != want {
				t.Errorf("%s: %d, want %d", path, w.Code, want)
			}
		}
	}
}

// A record comes to the byte as it was sealed, by its id and by its hash.
func TestATurnoverIsGivenAsItWasSealed(t *testing.T) {
	desk := newDesk(t)
	kept, _ := desk.Turnovers("alder-ef1")
	r, err := turnover.ReadRecord(kept[0].JSON)
	if err != nil {
		t.Fatal(err)
	}
	for _, id := range []string{provenAgain, r.SHA256} {
		if w := ask(atDesk(t, desk), "GET", "/api/v1/fans/alder-ef1/turnovers/"+id); w.Code != 200 || !bytes.Equal(w.Body.Bytes(), kept[0].JSON) {
			t.Errorf("%s: %d %s", id, w.Code, w.Body)
		}
	}
}

// What was changed says so wherever it is shown, and makes no table.
func TestAChangedTurnoverSaysSo(t *testing.T) {
	h := atDesk(t, newDesk(t))
	const page, data = "/fans/alder-ef1/turnovers/", "/api/v1/fans/alder-ef1/turnovers/"
	for path, says := range map[string]string{
		page + provenBroken:          `role="alert">Do not rely on this record. The record of alder-ef1 was changed since it was sealed`,
		page + provenBroken + ".csv": "do not rely on it", data + provenBroken: `"error":"the record of alder-ef1 was changed`,
		page + provenHalf: "no record of a turnover", data + provenHalf: "do not rely on it",
	} {
		if w := ask(h, "GET", path); w.Code != 500 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	if w := ask(h, "GET", data+provenBroken); !strings.Contains(w.Body.String(), `"kept":{"format":1`) {
		t.Errorf("what is kept does not come with it: %s", w.Body)
	}
}

func TestTheSheetOfATurnover(t *testing.T) {
	h := atDesk(t, newDesk(t))
	w := ask(h, "GET", "/fans/alder-ef1/turnovers/"+provenAgain)
	for _, want := range []string{"Turnover of Bath risers 1-4, Alder Hall", "Harbor &lt;College&gt;", `<a href="/fans/alder-ef1">Back to `,
		`<a href="/fans/alder-ef1/turnovers/` + provenAgain + `.csv">`, "2026-01-04 00:00:00 CST", "A retest", "Serial number"} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("no %s", want)
		}
	}
	if policy := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(policy, turnover.SheetPolicy) || !strings.Contains(policy, "frame-ancestors 'none'") {
		t.Errorf("its policy is %s", policy)
	}
	if strings.Contains(w.Body.String(), "Do not rely") {
		t.Error("it is doubted")
	}
	w = ask(h, "GET", "/fans/alder-ef1/turnovers/"+provenAgain+".csv")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if err != nil || len(rows) != 3 || !strings.Contains(strings.Join(rows[1], ";"), ";'=1+1;") {
		t.Errorf("%v: %v", err, rows)
	}
	if name := w.Header().Get("Content-Disposition"); !strings.Contains(name, "turnover-alder-ef1-20260104T060000") {
		t.Error(name)
	}
}

// The document of a building has the newest record of each fan, and names the fans
// without one.
func TestTheSheetOfABuilding(t *testing.T) {
	h := atDesk(t, newDesk(t))
	w := ask(h, "GET", "/buildings/alder/turnover")
	for _, want := range []string{"Turnover of Alder Hall", `<a href="#r-`, "No record: ", "<code>alder-ef2</code>", "Fans, by their worst", `<a href="/buildings/alder">`} {
		if !strings.Contains(w.Body.String(), want) {
			t.Errorf("no %s in %s", want, w.Body)
		}
	}
	if w.Code != 200 || !strings.HasPrefix(w.Header().Get("Content-Security-Policy"), turnover.SheetPolicy) {
		t.Errorf("%d, policy %s", w.Code, w.Header().Get("Content-Security-Policy"))
	}
	for path, says := range map[string]string{"/buildings/x/turnover": "there is no building", "/buildings/birch/turnover": "--building birch"} {
		if w := ask(h, "GET", path); w.Code != 404 || !strings.Contains(w.Body.String(), says) {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
}

func TestTurnoversThatAreNot(t *testing.T) {
	h := atDesk(t, newDesk(t))
	for path, status := range map[string]int{"/fans/alder-ef1/turnovers/x": 404, "/fans/x/turnovers/x": 404, "/api/v1/fans/alder-ef1/turnovers/x": 404,
		"/api/v1/fans/x/turnovers/x": 404, "/fans/alder-ef2/turnovers/" + provenFirst: 404} {
		if w := ask(h, "GET", path); w.Code != status || !strings.Contains(w.Body.String(), "there is no") {
			t.Errorf("%s: %d %s", path, w.Code, w.Body)
		}
	}
	torn := newDesk(t)
	torn.broken = http.ErrHandlerTimeout
	for _, path := range []string{"/buildings/alder/turnover", "/fans/alder-ef1/turnovers/" + provenFirst, "/api/v1/fans/alder-ef1/turnovers", "/api/v1/fans/alder-ef1/turnovers/x"} {
		if w := ask(atDesk(t, torn), "GET", path); w.Code != 500 || !strings.Contains(w.Body.String(), "see the log of the daemon") {
			t.Errorf("%s of a store that is torn: %d %s", path, w.Code, w.Body)
		}
		if w := ask(showing(nil), "GET", path); w.Code != 503 {
			t.Errorf("%s before anything is known: %d", path, w.Code)
		}
	}
	if w := ask(atDesk(t, nil), "GET", "/api/v1/fans/alder-ef1/turnovers"); w.Code != 200 || !strings.Contains(w.Body.String(), `{"turnovers":[]}`) {
		t.Errorf("without a desk: %d %s", w.Code, w.Body)
	}
}
