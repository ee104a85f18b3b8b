package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// record makes the records of what was proven, keeps them in the store and writes
// the report where one is asked for.
func (h *handover) record(proven []turnover.Fan, began time.Time) error {
	var records []*turnover.Record
	var failed error
	for i := range proven {
		f := proven[i].Fan
		r := turnover.New(h.fleet, &proven[i], turnover.Made{Program: "fanwarden " + version, Who: h.by, Witness: h.witness, Instruments: h.tools, Began: began,
			Ended: time.Now(), Course: h.courses[f.ID], First: h.first(f.ID)})
		records = append(records, r)
		data, err := json.Marshal(r)
		if err == nil {
			err = h.loan.keep(data)
		}
		failed = errors.Join(failed, err)
		h.tellRetest(r)
	}
	if h.loan.dir == "" && h.report == "" {
		fmt.Fprintln(h.p.stderr, "no record was kept: give [store] dir in the fleet file, or --report DIR")
	}
	if failed != nil && h.report == "" { // what took minutes to prove is not to be lost with the disk
		h.report, _ = os.MkdirTemp("", "fanwarden-turnover-")
	}
	if h.report != "" {
		failed = errors.Join(failed, h.writeReport(records))
	}
	return failed
}

// first is the first record of a fan, which this one is then a retest of.
func (h *handover) first(fan reading.FanID) []byte {
	first, err := h.loan.first(fan)
	if err != nil {
		fmt.Fprintf(h.p.stderr, "fanwarden turnover: whether %s was proven before is not known, so its record names no first one: %v\n", fan, err)
	}
	return first
}

// tellRetest says what has become of what failed when a fan was first proven.
func (h *handover) tellRetest(r *turnover.Record) {
	if r.RetestOf == nil {
		return
	}
	if r.RetestOf.Doubt != "" {
		fmt.Fprintf(h.p.stderr, "%s was proven before, and nothing is compared with that: %s\n", r.Fan.ID, r.RetestOf.Doubt)
		return
	}
	became := map[string][]string{}
	for _, one := range r.RetestOf.Since {
		if one.Mended() || one.Still() || one.Fresh() {
			became[one.Word()] = append(became[one.Word()], one.What)
		}
	}
	says := "nothing failed, then or now"
	if len(became) > 0 {
		var parts []string
		for word, what := range became {
			parts = append(parts, word+": "+strings.Join(what, ", "))
		}
		slices.Sort(parts)
		says = strings.Join(parts, "; ")
	}
	fmt.Fprintf(h.p.stderr, "%s was first proven %s; since then %s\n", r.Fan.ID, r.RetestOf.Time.In(h.fleet.Zone()).Format("2006-01-02 15:04"), says)
}

// writeReport writes the printable page and the table of all fans, and a file with
// the record of each.
func (h *handover) writeReport(records []*turnover.Record) error {
	if err := os.MkdirAll(h.report, 0o750); err != nil {
		return err
	}
	name := "turnover-" + time.Now().In(h.fleet.Zone()).Format("2006-01-02-1504")
	err := errors.Join(
		h.writeFile(name+".html", func(w io.Writer) error { return (&turnover.Sheet{Records: records, Zone: h.fleet.Zone()}).Write(w) }),
		h.writeFile(name+".csv", func(w io.Writer) error { return turnover.WriteCSV(w, records...) }))
	for _, r := range records {
		data, marshal := json.MarshalIndent(r, "", "  ")
		err = errors.Join(err, marshal, h.writeFile(fmt.Sprintf("%s-%s.json", name, fileName(r.Fan.ID)), func(w io.Writer) error {
			_, err := w.Write(append(data, '\n'))
			return err
		}))
	}
	if err == nil {
		fmt.Fprintf(h.p.stderr, "the report is in %s: %s.html to print and sign, .csv and .json beside it\n", h.report, name)
	}
	return err
}

// writeFile writes a file as a whole: it is there with all of its content, or not.
func (h *handover) writeFile(name string, write func(io.Writer) error) error {
	var content bytes.Buffer
	if err := write(&content); err != nil {
		return err
	}
	path := filepath.Join(h.report, name)
	if err := os.WriteFile(path+".part", content.Bytes(), 0o640); err != nil {
		return fmt.Errorf("%w; give --report a folder that can be written to", err)
	}
	return os.Rename(path+".part", path)
}

// fileName makes an id fit for the name of a file.
func fileName(id string) string {
	name := []byte(id)
	for i, c := range name {
		if !(c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= '0' && c <= '9' || c == '-' || c == '_') {
			name[i] = '_'
		}
	}
	return string(name)
}
