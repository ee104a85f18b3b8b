package web

import (
	"bytes"
	"fmt"
	"net/http"
	"strconv"
	"strings"

	"fanwarden/export"
	"fanwarden/rules/turnover"
)

// serveTurnoverSheet serves the page of a record that can be printed and signed, or,
// where the path ends in .csv, its table.
func (s *site) serveTurnoverSheet(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		w.Header().Set("Retry-After", "1")
		plain(w, http.StatusServiceUnavailable, waiting(nil))
		return
	}
	f := findFan(snapshot, r.PathValue("id"))
	if f == nil {
		plain(w, http.StatusNotFound, fmt.Sprintf("there is no fan %q in the fleet file", r.PathValue("id")))
		return
	}
	id, isTable := strings.CutSuffix(r.PathValue("record"), ".csv")
	kept, status, err := s.turnoverOf(f, id)
	if err != nil {
		plain(w, status, err.Error())
		return
	}
	record, doubt := turnover.Recall(kept.JSON)
	switch {
	case record == nil, isTable && doubt != nil:
		plain(w, http.StatusInternalServerError, doubt.Error()+": do not rely on it")
	case isTable:
		serveTurnoverTable(w, kept, record)
	default:
		serveSheet(w, kept, &turnover.Sheet{Records: []*turnover.Record{record}, Zone: snapshot.Fleet.Zone(), Doubts: map[*turnover.Record]error{record: doubt}}, f)
	}
}

// serveSheet serves the page of one record.
func serveSheet(w http.ResponseWriter, kept *turnover.Kept, sheet *turnover.Sheet, f *export.Fan) {
	record := pathOf("fans", string(f.Fan.ID), "turnovers", kept.ID())
	sheet.Links = []turnover.Link{{Path: pathOf("fans", string(f.Fan.ID)), Text: "Back to " + f.Fan.Name}}
	status := http.StatusInternalServerError
	if sheet.Doubts[sheet.Records[0]] == nil {
		sheet.Links = append(sheet.Links, turnover.Link{Path: record + ".csv", Text: "Points, CSV"})
		status = http.StatusOK
	}
	sheet.Links = append(sheet.Links, turnover.Link{Path: "/api/v1" + record, Text: "Record, JSON"})
	sendSheet(w, status, sheet)
}

// serveBuildingSheet serves the newest record of every fan of a building as one page
// to print and sign, in the order of the fleet file. Fans without a record are named.
func (s *site) serveBuildingSheet(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		w.Header().Set("Retry-After", "1")
		plain(w, http.StatusServiceUnavailable, waiting(nil))
		return
	}
	id := r.PathValue("id")
	sheet := &turnover.Sheet{Zone: snapshot.Fleet.Zone(), Doubts: map[*turnover.Record]error{}, Links: []turnover.Link{{Path: pathOf("buildings", id), Text: "Back to the building"}}}
	status, known := http.StatusOK, false
	for _, f := range snapshot.Fleet.Fans {
		if string(f.Building.ID) != id {
			continue
		}
		known = true
		kept, err := s.turnoversOf(f.ID)
		if err != nil {
			plain(w, http.StatusInternalServerError, err.Error())
			return
		}
		record, doubt := newestOf(kept)
		if doubt != nil {
			status = http.StatusInternalServerError
		}
		if record == nil {
			sheet.Without = append(sheet.Without, turnover.Named{ID: string(f.ID), Name: f.Name})
			continue
		}
		sheet.Records, sheet.Doubts[record] = append(sheet.Records, record), doubt
	}
	switch {
	case !known:
		plain(w, http.StatusNotFound, fmt.Sprintf("there is no building %q with fans in the fleet file", id))
	case len(sheet.Records) == 0:
		plain(w, http.StatusNotFound, fmt.Sprintf("no fan of %s has a record that can be read yet; `fanwarden turnover --config FILE --building %s` proves them all", id, id))
	default:
		sendSheet(w, status, sheet)
	}
}

// newestOf returns the newest record, nil where there is none or it cannot be read.
func newestOf(kept []turnover.Kept) (record *turnover.Record, doubt error) {
	if len(kept) == 0 {
		return nil, nil
	}
	return turnover.Recall(kept[0].JSON)
}

// sendSheet answers with a page that has a policy of its own: it needs its style and
// nothing else.
func sendSheet(w http.ResponseWriter, status int, sheet *turnover.Sheet) {
	var body bytes.Buffer
	if err := sheet.Write(&body); err != nil {
		http.Error(w, "the record could not be written down: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", turnover.SheetPolicy+"; frame-ancestors 'none'")
	sendPage(w, status, body.Bytes())
}

func serveTurnoverTable(w http.ResponseWriter, kept *turnover.Kept, record *turnover.Record) {
	var body bytes.Buffer
	if err := turnover.WriteCSV(&body, record); err != nil {
		http.Error(w, "the table could not be written: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", fmt.Sprintf(`attachment; filename="turnover-%s-%s.csv"`, fileName(record.Fan.ID), fileName(kept.ID())))
	w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
	_, _ = w.Write(body.Bytes())
}
