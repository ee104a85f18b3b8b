package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"
	"strings"
	"time"

	"fanwarden/export"
	"fanwarden/export/report"
)

func (s *site) reportRoutes() []route {
	return []route{
		{"GET /reports/{building}/{month}", toRead, http.HandlerFunc(s.serveReport)},
		{"GET /api/v1/reports", toRead, http.HandlerFunc(s.serveMonths)},
		{"GET /api/v1/reports/{building}/{month}", toRead, http.HandlerFunc(s.serveReportData)},
	}
}

// monthsAnswer is the answer of /api/v1/reports: what there can be a report of.
type monthsAnswer struct {
	Time   time.Time     `json:"time"`
	Oldest *time.Time    `json:"oldest"` // reading that is kept, as of a minute ago; null: none is, or it is not known yet
	Months []monthAnswer `json:"months"` // of which readings are kept, the latest first
}

type monthAnswer struct {
	Month string    `json:"month"` // as 2026-01, in the fleet's zone
	From  time.Time `json:"from"`
	To    time.Time `json:"to"`
	Whole bool      `json:"whole"` // it is over, and its first readings are kept
}

func (s *site) serveMonths(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	switch {
	case snapshot == nil:
		starting(w)
	case s.history == nil:
		unkept(w)
	case !asked(r).refused(w):
		answerJSON(w, http.StatusOK, describeMonths(snapshot, s.now()))
	}
}

func describeMonths(snapshot *export.Snapshot, now time.Time) monthsAnswer {
	zone, oldest := snapshot.Fleet.Zone(), snapshot.History.Oldest
	answer := monthsAnswer{Time: utc(now), Oldest: known(oldest)}
	if oldest.IsZero() || oldest.After(now) {
		oldest = now
	}
	for m := report.MonthOf(now.In(zone)); ; m = m.Before() {
		from, to := m.Begins(zone), m.Next().Begins(zone)
		answer.Months = append(answer.Months, monthAnswer{m.String(), utc(from), utc(to), !now.Before(to) && !oldest.After(from)})
		if !oldest.Before(from) {
			return answer
		}
	}
}

// serveReport serves the page that can be printed, or, where the month ends in
// .csv, its tables.
func (s *site) serveReport(w http.ResponseWriter, r *http.Request) {
	month, isTable := strings.CutSuffix(r.PathValue("month"), ".csv")
	if isTable {
		s.serveReportTable(w, r, month)
		return
	}
	made, err := s.report(r, month)
	if err != nil {
		s.refusePage(w, err)
		return
	}
	var body bytes.Buffer
	if err := s.sheet.Execute(&body, made.sheet()); err != nil {
		http.Error(w, "the report could not be made up: "+err.Error(), http.StatusInternalServerError)
		return
	}
	sendPage(w, http.StatusOK, body.Bytes())
}

func (s *site) refusePage(w http.ResponseWriter, why *unmade) {
	var body bytes.Buffer
	fleet := ""
	if snapshot := s.snapshot(); snapshot != nil {
		fleet = clean(snapshot.Fleet.Name)
	}
	if err := s.sheet.Execute(&body, sheetView{Site: fleet, Assets: s.library.path(), Refused: sentence(why.says)}); err != nil {
		plain(w, why.status, why.says)
		return
	}
	sendPage(w, why.status, body.Bytes())
}

func sendPage(w http.ResponseWriter, status int, body []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Content-Length", strconv.Itoa(len(body)))
	w.WriteHeader(status)
	_, _ = w.Write(body)
}

func (s *site) serveReportData(w http.ResponseWriter, r *http.Request) {
	made, err := s.report(r, r.PathValue("month"))
	if err != nil {
		answerJSON(w, err.status, errorAnswer{err.says})
		return
	}
	answerJSON(w, http.StatusOK, made.describe())
}

// serveReportTable serves the table of the fans, or, with ?of=conditions, the one of
// the conditions.
func (s *site) serveReportTable(w http.ResponseWriter, r *http.Request, month string) {
	made, err := s.report(r, month, "of")
	if err != nil {
		plain(w, err.status, err.says)
		return
	}
	table, kind := made.fanTable(), ""
	if made.of == conditionTable {
		table, kind = made.conditionTable(), "-"+conditionTable
	}
	var body bytes.Buffer
	if err := writeTable(&body, table); err != nil {
		http.Error(w, "the table could not be written: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="%s-%s%s.csv"`, fileName(string(made.Building.ID)), made.Month, kind))
	w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
	_, _ = w.Write(body.Bytes())
}
