package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/cmd/fanwarden/internal/daemon"
	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

const provenFleet = `
[pointmaps.m]
points.pressure = {table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa"}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
[[buildings]]
id = "b"
[[gateways]]
id = "roof"
building = "b"
url = "tcp://127.0.0.1:1"
[[fans]]
id = "ef1"
gateway = "roof"
unit = 1
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
`

// The second record of a fan names its first one and what has become of it, where
// no daemon runs; the third names the first one too.
func TestRetestIsLinked(t *testing.T) {
	fleet, faults := config.Parse("fleet.toml", []byte(provenFleet), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	dir := filepath.Join(t.TempDir(), "store")
	var diagnostics bytes.Buffer
	began := time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)
	var first string
	for n, verdict := range []turnover.Verdict{turnover.Fail, turnover.Pass, turnover.Fail} {
		proven := turnover.Prove(fleet, fleet.Fans, nil)
		proven[0].Proofs[0].Verdict = verdict
		h := &handover{p: &process{stderr: &diagnostics}, fleet: fleet, loan: &loan{dir: dir}, by: "A. Person", witness: "W. Itness",
			report: filepath.Join(t.TempDir(), "report")}
		if err := h.record(proven, began.Add(time.Duration(n)*time.Hour)); err != nil {
			t.Fatal(err)
		}
		paths, _ := filepath.Glob(filepath.Join(h.report, "*.json"))
		data, err := os.ReadFile(paths[0])
		if err != nil {
			t.Fatal(err)
		}
		r, err := turnover.ReadRecord(data)
		if err != nil || r.Who != "A. Person" || r.Witness != "W. Itness" {
			t.Fatalf("%v: %+v", err, r)
		}
		switch {
		case n == 0 && r.RetestOf != nil:
			t.Errorf("the first record is a retest of %+v", r.RetestOf)
		case n == 0:
			first = r.SHA256
		case r.RetestOf == nil || r.RetestOf.SHA256 != first || !r.RetestOf.Time.Equal(began):
			t.Errorf("record %d is a retest of %+v, want %s", n, r.RetestOf, first)
		case n == 1 && !r.RetestOf.Since[0].Mended() || n == 2 && !r.RetestOf.Since[0].Still():
			t.Errorf("record %d says of the first failure: %+v", n, r.RetestOf.Since)
		}
	}
	if kept, err := daemon.FirstTurnover(dir, "ef2"); err != nil || kept != nil {
		t.Errorf("another fan has a record: %s, %v", kept, err)
	}
	for says, want := range map[string]bool{"not known": false, "ef1 was first proven 2026-03-02 0": true, "; since then fails now only": false,
		"mended: pressure": true, "fails still: pressure": true, "no record was kept": false} {
		if strings.Contains(diagnostics.String(), says) != want {
			t.Errorf("%q is said: %v, in %s", says, !want, &diagnostics)
		}
	}
}

// Where the store cannot be read, the record names no first one, and that is said;
// a folder without a store is left as it is.
func TestFirstThatCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	if kept, err := daemon.FirstTurnover(dir, "ef1"); err != nil || kept != nil {
		t.Errorf("%s, %v", kept, err)
	}
	if left, _ := os.ReadDir(dir); len(left) > 0 {
		t.Errorf("looking made %v", left)
	}
	if err := os.WriteFile(filepath.Join(dir, "journal.db"), bytes.Repeat([]byte("no store "), 2000), 0o600); err != nil {
		t.Fatal(err)
	}
	var diagnostics bytes.Buffer
	h := &handover{p: &process{stderr: &diagnostics}, loan: &loan{dir: dir}}
	if first := h.first(reading.FanID("ef1")); first != nil || !strings.Contains(diagnostics.String(), "whether ef1 was proven before is not known") {
		t.Errorf("%s; %s", first, diagnostics.String())
	}
}

// A record can be verified for as long as its file is there, without a fleet file.
func TestVerify(t *testing.T) {
	dir := t.TempDir()
	write := func(name, text string) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	sound, changed := write("sound.json", handedOver), write("changed.json", strings.Replace(handedOver, `:0.2}`, `:0.3}`, 1))
	for _, c := range []struct {
		files  []string
		status int
		says   []string
	}{
		{[]string{sound}, allWell, []string{"sound.json: the record of healthy, proven 2026-01-05T06:00:00Z, is as it was sealed"}},
		{[]string{changed, sound}, foundWrong, []string{"changed.json: DO NOT RELY ON IT: the record of healthy was changed", "is as it was sealed"}},
		{[]string{write("none.json", "{}")}, foundWrong, []string{"DO NOT RELY ON IT"}},
		{[]string{filepath.Join(dir, "absent.json")}, couldNotRun, nil},
	} {
		args := []string{"turnover"}
		for _, file := range c.files {
			args = append(args, "--verify", file)
		}
		var out, diagnostics bytes.Buffer
		if status := execute(t.Context(), &process{stdout: &out, stderr: &diagnostics}, args); status != c.status {
			t.Errorf("%v: status %d, want %d: %s%s", c.files, status, c.status, &out, &diagnostics)
		}
		for _, want := range c.says {
			if !strings.Contains(out.String(), want) {
				t.Errorf("%v: no %q in %s", c.files, want, &out)
			}
		}
	}
	var diagnostics bytes.Buffer
	if status := execute(t.Context(), &process{stdout: &diagnostics, stderr: &diagnostics}, []string{"turnover"}); status != couldNotRun ||
		!strings.Contains(diagnostics.String(), "--config is missing") {
		t.Errorf("without a fleet file: %d %s", status, &diagnostics)
	}
}

func TestInstrumentFlag(t *testing.T) {
	var all instruments
	for text, good := range map[string]bool{"Manometer, M-12, 2026-05-01": true, "Manometer": false, ",M-12,2026": false, "a,b,c,d": false, "Tachometer,,": true} {
		if err := all.Set(text); (err == nil) != good {
			t.Errorf("%q: %v", text, err)
		}
	}
	if len(all) != 2 {
		t.Errorf("%v", all)
	}
}

// Where there is neither a store nor a report, that is said.
func TestNoRecordIsKept(t *testing.T) {
	var diagnostics bytes.Buffer
	h := &handover{p: &process{stderr: &diagnostics}, loan: &loan{}}
	if err := h.record(nil, time.Now()); err != nil || !strings.Contains(diagnostics.String(), "no record was kept: give [store] dir") {
		t.Errorf("%v: %s", err, &diagnostics)
	}
}
