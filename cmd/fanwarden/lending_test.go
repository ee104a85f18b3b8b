package main

import (
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"fanwarden/cmd/fanwarden/internal/lend"
	"fanwarden/poller/reading"
	"fanwarden/rules/journal"
	"fanwarden/rules/turnover"
)

// sealed is the record of a fan's turnover, as JSON.
func sealed(fan reading.FanID, began time.Time) string {
	r := &turnover.Record{Format: turnover.RecordFormat, Fan: turnover.FanRecord{Named: turnover.Named{ID: string(fan)}}, Began: began, Ended: began.Add(time.Minute),
		ReadBack: map[reading.Point]float64{reading.MinSpeed: 0.2}}
	r.Seal()
	text, _ := json.Marshal(r)
	return string(text)
}

var handedOver = sealed("healthy", time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC))

// A daemon that runs lends its gateway: what stood stands, nothing is raised or
// cleared, everybody sees why there are no readings, and polling goes on when the
// borrower has gone. A record that it was given is there after a restart.
func TestLending(t *testing.T) {
	t.Parallel()
	field := startPymodbus(t, "tcp")
	setFourFans(field)
	dir := filepath.Join(t.TempDir(), "store")
	file := writeFleet(t, fmt.Sprintf("[store]\ndir = %q\n", dir)+configured("tcp://127.0.0.1:"+field.port))
	d := startDaemon(t, file)
	want(t, "what stands", threeWrong, d.active)

	borrower, err := lend.Connect(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := borrower.Borrow("roof"); err != nil {
		t.Fatal(err)
	}
	const lent, cycles = `fanwarden_gateway_lent{building="north",gateway="roof"}`, `fanwarden_poll_duration_seconds_count{building="north",gateway="roof"}`
	metric := func(name string) func() string { return func() string { return d.metrics()[name] } }
	want(t, "lent", "1", metric(lent))
	if _, body := d.get("/api/v1/gateways/roof"); !strings.Contains(body, `"lent":true`) {
		t.Errorf("the gateway does not say that it is lent: %s", body)
	}
	seen := metric(cycles)()
	setFan(field, 2, -30, 80, 1) // it would clear, were it read
	begun := time.Now()
	eventually(t, func() error { // longer than stale_after and every hold
		if took := time.Since(begun); took < 3*time.Second {
			return fmt.Errorf("only %s have passed", took)
		}
		return nil
	})
	want(t, "what stands", threeWrong, d.active)
	if now := metric(cycles)(); now != seen {
		t.Errorf("%s cycles while it was lent, and %s before", now, seen)
	}
	checkKeeps(t, borrower)
	if first, err := borrower.First("healthy"); err != nil || string(first) != handedOver {
		t.Errorf("the first record is %s, %v", first, err)
	}
	if first, err := borrower.First("pinned"); err != nil || first != nil {
		t.Errorf("a fan that was never proven has the record %s, %v", first, err)
	}
	borrower.Close()
	d.await(event{Event: "gateway taken back"})
	d.await(event{Event: "cleared", Fan: "pinned"})
	want(t, "lent", "0", metric(lent))
	for _, e := range d.seen {
		if e.Event == "cleared" && e.Fan != "pinned" || e.Event == "raised" && (e.Fan == "" || e.Fan == "healthy") {
			t.Errorf("told because nothing was read: %+v", e)
		}
	}
	d.stop()
	if _, err := lend.Connect(dir); err == nil {
		t.Error("a daemon that has ended lends")
	}
	checkKept(t, filepath.Join(dir, "journal.db"))

	again := startDaemon(t, file)
	if _, body := again.get("/api/v1/fans/healthy/settings"); !strings.Contains(body, "2026-01-05T06:01:00Z") {
		t.Errorf("the baseline is not there after a restart: %s", body)
	}
	if _, body := again.get("/api/v1/fans/healthy/turnovers/20260105T060000.000Z"); !strings.Contains(body, handedOver) {
		t.Errorf("the record is not there after a restart: %s", body)
	}
	again.stop()
}

// checkKeeps gives records to a daemon.
func checkKeeps(t *testing.T, b *lend.Borrower) {
	t.Helper()
	for record, wrong := range map[string]string{
		handedOver:                                       "",
		sealed("nobody", time.Now()):                     `no fan "nobody"`,
		sealed("healthy", time.Time{}):                   "when it began",
		strings.Replace(handedOver, `:0.2}`, `:0.3}`, 1): "was changed",
		`{"fan":"healthy"}`:                              "no record",
	} {
		if err := b.Keep([]byte(record)); wrong == "" && err != nil || wrong != "" && (err == nil || !strings.Contains(err.Error(), wrong)) {
			t.Errorf("%s: %v, want %q", record, err, wrong)
		}
	}
}

// checkKept wants one record in the store of a daemon that has ended.
func checkKept(t *testing.T, path string) {
	t.Helper()
	store, kept, err := journal.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer store.Close()
	records, err := store.Turnovers("healthy")
	if err != nil || len(records) != 1 || string(records[0].Record) != handedOver || len(kept.Baselines) != 1 {
		t.Errorf("%v: %s and %d baselines are kept", err, records, len(kept.Baselines))
	}
}
