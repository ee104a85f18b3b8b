package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"time"

	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

func (s *site) turnoverRoutes() []route {
	return []route{
		{"GET /fans/{id}/turnovers/{record}", toRead, http.HandlerFunc(s.serveTurnoverSheet)},
		{"GET /buildings/{id}/turnover", toRead, http.HandlerFunc(s.serveBuildingSheet)},
		{"GET /api/v1/fans/{id}/turnovers", toRead, http.HandlerFunc(s.serveTurnovers)},
		{"GET /api/v1/fans/{id}/turnovers/{record}", toRead, http.HandlerFunc(s.serveTurnover)},
	}
}

// turnoversAnswer lists the records of a fan in short, the newest first.
type turnoversAnswer struct {
	Turnovers []turnoverAnswer `json:"turnovers"`
}

// turnoverAnswer is the record of a turnover in short.
type turnoverAnswer struct {
	ID       string         `json:"id"` // among those of its fan
	Began    time.Time      `json:"began"`
	Ended    time.Time      `json:"ended"`
	Who      string         `json:"who"`
	Witness  string         `json:"witness"`
	Mode     string         `json:"mode"`      // passive or exercise
	Verdicts map[string]int `json:"verdicts"`  // how many points, and things that the fan did, have each
	RetestOf *retestAnswer  `json:"retest_of"` // null: it is the first, or its first was not kept
	SHA256   string         `json:"sha256"`
	Doubt    string         `json:"doubt"` // why it cannot be relied on; "": it is as it was sealed
	Page     string         `json:"page"`  // paths
	Table    string         `json:"table"`
	Record   string         `json:"record"`
}

// retestAnswer is the first record in short, and what has become of it.
type retestAnswer struct {
	Began  time.Time `json:"began"`
	SHA256 string    `json:"sha256"`
	Mended []string  `json:"mended"` // what failed then and passes now
	Still  []string  `json:"still"`  // what failed then and now
	Fresh  []string  `json:"fresh"`  // what fails now only
	Doubt  string    `json:"doubt"`  // why nothing is compared with it
}

// brokenRecord is the answer of a record that is not as it was sealed.
type brokenRecord struct {
	Error string          `json:"error"`
	Kept  json.RawMessage `json:"kept,omitempty"` // what there is, where it is JSON
}

// lastTurnover is the newest record of a fan in short; nil where there is none.
func lastTurnover(desk Desk, fan reading.FanID) *turnoverAnswer {
	kept, err := desk.Turnovers(fan)
	if err != nil || len(kept) == 0 {
		return nil
	}
	answer := describeTurnover(fan, &kept[0])
	return &answer
}

func describeTurnover(fan reading.FanID, kept *turnover.Kept) turnoverAnswer {
	record := pathOf("fans", string(fan), "turnovers", kept.ID())
	a := turnoverAnswer{ID: kept.ID(), Began: utc(kept.Began), Verdicts: map[string]int{}, Page: record, Table: record + ".csv", Record: "/api/v1" + record}
	r, doubt := turnover.Recall(kept.JSON)
	if doubt != nil {
		a.Doubt = doubt.Error()
	}
	if r == nil {
		return a
	}
	a.Ended, a.Who, a.Witness, a.Mode, a.SHA256 = utc(r.Ended), r.Who, r.Witness, r.Mode, r.SHA256
	for i := range r.Points {
		a.Verdicts[r.Points[i].Verdict.String()]++
	}
	for _, s := range r.Seen { // what an exercise found counts too
		a.Verdicts[s.Verdict.String()]++
	}
	a.RetestOf = describeRetest(r.RetestOf)
	return a
}

func describeRetest(r *turnover.Retest) *retestAnswer {
	if r == nil {
		return nil
	}
	a := &retestAnswer{Began: utc(r.Time), SHA256: r.SHA256, Mended: []string{}, Still: []string{}, Fresh: []string{}, Doubt: r.Doubt}
	for _, one := range r.Since {
		switch {
		case one.Mended():
			a.Mended = append(a.Mended, one.What)
		case one.Still():
			a.Still = append(a.Still, one.What)
		case one.Fresh():
			a.Fresh = append(a.Fresh, one.What)
		}
	}
	return a
}

func (s *site) serveTurnovers(w http.ResponseWriter, r *http.Request) {
	_, f := s.fanOf(w, r)
	if f == nil {
		return
	}
	answer := turnoversAnswer{Turnovers: []turnoverAnswer{}}
	kept, err := s.turnoversOf(f.Fan.ID)
	if err != nil {
		answerJSON(w, http.StatusInternalServerError, errorAnswer{err.Error()})
		return
	}
	for i := range kept {
		answer.Turnovers = append(answer.Turnovers, describeTurnover(f.Fan.ID, &kept[i]))
	}
	answerJSON(w, http.StatusOK, answer)
}

// serveTurnover gives one record as it was sealed. One that was changed since is a
// failure, and comes with it.
func (s *site) serveTurnover(w http.ResponseWriter, r *http.Request) {
	_, f := s.fanOf(w, r)
	if f == nil {
		return
	}
	kept, status, err := s.turnoverOf(f, r.PathValue("record"))
	if err != nil {
		answerJSON(w, status, errorAnswer{err.Error()})
		return
	}
	if _, doubt := turnover.Recall(kept.JSON); doubt != nil {
		answer := brokenRecord{Error: doubt.Error() + ": do not rely on it"}
		if json.Valid(kept.JSON) {
			answer.Kept = kept.JSON
		}
		answerJSON(w, http.StatusInternalServerError, answer)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Content-Length", strconv.Itoa(len(kept.JSON)))
	_, _ = w.Write(kept.JSON)
}

// turnoversOf returns the records of a fan that are kept, the newest first.
func (s *site) turnoversOf(fan reading.FanID) ([]turnover.Kept, error) {
	if s.desk == nil {
		return nil, nil
	}
	kept, err := s.desk.Turnovers(fan)
	if err != nil {
		return nil, fmt.Errorf("the records cannot be read: %w; see the log of the daemon", err)
	}
	return kept, nil
}

// turnoverOf finds a record of a fan by its id, or by the hash that is printed on it.
func (s *site) turnoverOf(f *export.Fan, id string) (kept *turnover.Kept, status int, err error) {
	all, err := s.turnoversOf(f.Fan.ID)
	if err != nil {
		return nil, http.StatusInternalServerError, err
	}
	at := slices.IndexFunc(all, func(k turnover.Kept) bool { return k.ID() == id })
	if at < 0 {
		at = slices.IndexFunc(all, func(k turnover.Kept) bool {
			r, doubt := turnover.Recall(k.JSON)
			return doubt == nil && r.SHA256 == id
		})
	}
	if at < 0 {
		return nil, http.StatusNotFound, fmt.Errorf("there is no record %q of %s; those that are kept are listed at /api/v1%s", id, f.Fan.ID, pathOf("fans", string(f.Fan.ID), "turnovers"))
	}
	return &all[at], 0, nil
}
