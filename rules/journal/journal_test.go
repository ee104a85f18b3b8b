package journal

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"strings"
	"syscall"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

var midnight = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// open opens a store and checks the file when the test ends.
func open(t *testing.T, path string) (*Store, *Kept) {
	t.Helper()
	s, kept, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.Close(); check(t, path) })
	return s, kept
}

// check wants the file to be consistent.
func check(t *testing.T, path string) {
	t.Helper()
	s, _, err := Open(path)
	if err != nil {
		t.Error(err)
		return
	}
	defer s.Close()
	tx, err := s.db.Begin(false)
	if err != nil {
		t.Error(err)
		return
	}
	defer tx.Rollback()
	for err := range tx.Check() {
		t.Errorf("%s: %v", path, err)
	}
}

func one(n int) alarm.Entry {
	a := &alarm.Alarm{ID: alarm.ID(fmt.Sprintf("pinned_at_max-ef%d", n)), Fan: "ef1", Condition: condition.PinnedAtMax, Severity: condition.Page,
		State: alarm.Acknowledged, Raised: midnight, Acknowledgement: &alarm.Act{Time: midnight, Who: "kim", Why: "on my way"},
		Finding: condition.Finding{Summary: "at top speed", Evidence: []condition.Number{{Name: "speed", Value: 1}},
			Causes: []condition.Cause{{What: "a door", Check: "look"}}}}
	return alarm.Entry{Time: midnight.Add(time.Duration(n) * time.Minute), What: alarm.WasRaised, Alarm: a}
}

func TestWhatIsWrittenIsThereAfterwards(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	s, kept := open(t, path)
	if len(kept.Alarms)+len(kept.Messages)+len(kept.Out)+len(kept.Baselines) != 0 {
		t.Errorf("a new store holds %+v", kept)
	}
	taken := alarm.Entry{Time: midnight, What: alarm.WasTakenOut, Fan: "ef9", Who: "kim", Why: "motor"}
	message := Message{ID: "m1", Way: "pager", Made: midnight, Draft: &Draft{Alarm: "pinned_at_max-ef1", What: alarm.WasRaised}}
	if err := s.Write(&Change{Entries: []alarm.Entry{one(1), one(2), taken}, Messages: []Message{message}}); err != nil {
		t.Fatal(err)
	}
	if err := s.Record("ef1", condition.Baseline{Time: midnight, Settings: map[reading.Point]float64{reading.RunOn: 90}}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s, kept = open(t, path)
	want := []alarm.Alarm{*one(1).Alarm, *one(2).Alarm}
	if !reflect.DeepEqual(kept.Alarms, want) {
		t.Errorf("alarms %+v\nwant %+v", kept.Alarms, want)
	}
	if !reflect.DeepEqual(kept.Messages, []Message{message}) || kept.Out["ef9"].Why != "motor" || kept.Baselines["ef1"].Settings[reading.RunOn] != 90 {
		t.Errorf("%+v", kept)
	}
	last, err := s.Entries(2, nil)
	if err != nil || len(last) != 2 || last[0].What != alarm.WasTakenOut || last[1].Alarm.ID != "pinned_at_max-ef2" {
		t.Errorf("%v, %+v", err, last)
	}
	if raised, _ := s.Entries(9, func(e *alarm.Entry) bool { return e.What == alarm.WasRaised }); len(raised) != 2 {
		t.Errorf("%+v", raised)
	}
	back := alarm.Entry{Time: midnight, What: alarm.WasPutIntoService, Fan: "ef9", Who: "kim"}
	if err := s.Write(&Change{Entries: []alarm.Entry{back}}); err != nil {
		t.Fatal(err)
	}
	message.Tries, message.Draft, message.Body = 3, nil, []byte("hello")
	told := *one(1).Alarm
	told.Told = []string{"pager"}
	if err := s.Write(&Change{Messages: []Message{message}, Alarms: []alarm.Alarm{told}}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s, kept = open(t, path)
	if len(kept.Out) != 0 || !reflect.DeepEqual(kept.Messages, []Message{message}) || !reflect.DeepEqual(kept.Alarms[0].Told, []string{"pager"}) {
		t.Errorf("%+v", kept)
	}
	if err := s.Write(&Change{Gone: []string{"m1"}}); err != nil {
		t.Fatal(err)
	}
	var copied bytes.Buffer
	if n, err := s.Backup(&copied); err != nil || n != int64(copied.Len()) {
		t.Fatal(n, err)
	}
	other := filepath.Join(t.TempDir(), "copy.db")
	if err := os.WriteFile(other, copied.Bytes(), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, kept := open(t, other); len(kept.Alarms) != 2 || len(kept.Messages) != 0 {
		t.Errorf("the copy holds %+v", kept)
	}
}

func TestWhatIsOldIsForgotten(t *testing.T) {
	s, _ := open(t, filepath.Join(t.TempDir(), "journal.db"))
	var all []alarm.Entry
	for n := range 5000 {
		all = append(all, one(n))
	}
	if err := s.Write(&Change{Entries: all}); err != nil {
		t.Fatal(err)
	}
	before, rounds := midnight.Add(4500*time.Minute), 1
	more, err := s.Forget([]alarm.ID{"pinned_at_max-ef7"}, before)
	for ; more && err == nil; rounds++ {
		more, err = s.Forget(nil, before)
	}
	left, _ := s.Entries(9999, nil)
	if err != nil || len(left) != 500 || rounds != 3 {
		t.Errorf("%v: %d entries left after %d rounds", err, len(left), rounds)
	}
}

func TestAStoreThatCannotBeOpenedSaysWhy(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	open(t, path)
	if _, _, err := Open(path); err == nil || !strings.Contains(err.Error(), "another process") {
		t.Errorf("open twice: %v", err)
	}
	damaged := filepath.Join(t.TempDir(), "damaged.db")
	if err := os.WriteFile(damaged, bytes.Repeat([]byte("x"), 9000), 0o600); err != nil {
		t.Fatal(err)
	}
	if _, _, err := Open(damaged); err == nil || !strings.Contains(err.Error(), "move it away") {
		t.Errorf("damaged: %v", err)
	}
}

// A process that is killed while it writes leaves a store that has all that it
// said was written.
func TestAKillLosesNothingThatWasWritten(t *testing.T) {
	if path := os.Getenv("JOURNAL_TO_FILL"); path != "" {
		fill(path)
	}
	path := filepath.Join(t.TempDir(), "journal.db")
	written := 0
	for range 20 {
		cmd := exec.Command(os.Args[0], "-test.run", t.Name())
		cmd.Env = append(os.Environ(), "JOURNAL_TO_FILL="+path)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		line := make([]byte, 1)
		for n := 0; n < 3+written%17; n++ {
			if _, err := out.Read(line); err != nil {
				t.Fatal(err)
			}
			written++
		}
		cmd.Process.Signal(syscall.SIGKILL)
		rest := new(bytes.Buffer)
		rest.ReadFrom(out)
		cmd.Wait()
		written += rest.Len()
	}
	s, kept := open(t, path)
	all, err := s.Entries(1<<20, nil)
	if err != nil || len(all) < written || len(all) > written+20 || len(kept.Messages) != len(all) {
		t.Errorf("%v: %d entries, %d messages; %d were told as written", err, len(all), len(kept.Messages), written)
	}
	records, err := s.Turnovers("ef1")
	last := fmt.Sprint(kept.Baselines["ef1"].Settings[reading.RunOn])
	if err != nil || len(records) != 1+lastTurnovers || string(records[0].Record) != last || kept.Baselines["ef1"].Settings[reading.RunOn] < float64(written-1) {
		t.Errorf("%v: %d records, the last is %s and its baseline %s; %d were told as written", err, len(records), records[0].Record, last, written)
	}
}

// fill writes for ever, and says so with one byte for each entry.
func fill(path string) {
	s, kept, err := Open(path)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	for n := len(kept.Messages); ; n++ {
		if s.Write(&Change{Entries: []alarm.Entry{one(n)}, Messages: []Message{{ID: fmt.Sprint(n)}}}) != nil ||
			s.KeepTurnover("ef1", time.Unix(int64(n), 0), fmt.Append(nil, n), runOn(midnight, float64(n))) != nil {
			os.Exit(1)
		}
		os.Stdout.WriteString(".")
	}
}

// A file that was cut off, as by a disk that failed, is an error that says so, not
// the end of the daemon.
func TestADamagedStoreIsAnError(t *testing.T) {
	dir := t.TempDir()
	s, _ := open(t, filepath.Join(dir, "whole.db"))
	for n := range 200 {
		if err := s.Write(&Change{Entries: []alarm.Entry{one(n)}}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, "whole.db"))
	if err != nil {
		t.Fatal(err)
	}
	failed := 0
	for cut := 4096; cut < len(whole); cut += 4096 {
		for name, data := range map[string][]byte{"cut off": whole[:cut], "zeros": append(bytes.Clone(whole[:cut]), make([]byte, len(whole)-cut)...)} {
			path := filepath.Join(dir, fmt.Sprint(name, cut, ".db"))
			if err := os.WriteFile(path, data, 0o600); err != nil {
				t.Fatal(err)
			}
			s, _, err := Open(path)
			if err == nil {
				err = s.Write(&Change{Entries: []alarm.Entry{one(0)}})
			}
			if err == nil { // what is missing was free
				s.Close()
				continue
			}
			if failed++; !strings.Contains(err.Error(), "move it away, or put a copy in its place") {
				t.Errorf("%s at %d: %v", name, cut, err)
			}
		}
	}
	if failed == 0 {
		t.Error("no damage was seen")
	}
}

// One value that makes no sense takes no other with it.
func TestAValueThatCannotBeRead(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	s, _ := open(t, path)
	if err := s.Write(&Change{Entries: []alarm.Entry{one(1), one(2), one(3)}, Messages: []Message{{ID: "m1"}, {ID: "m2"}}}); err != nil {
		t.Fatal(err)
	}
	err := s.update(func(tx *bolt.Tx) error {
		return errors.Join(tx.Bucket(alarms).Put([]byte("pinned_at_max-ef2"), []byte("{\xff")), tx.Bucket(outbox).Put([]byte("m1"), nil),
			tx.Bucket(entries).Put([]byte{0, 0, 0, 0, 0, 0, 0, 2}, []byte("?")))
	})
	if err != nil {
		t.Fatal(err)
	}
	s.Close()
	s, kept := open(t, path)
	if len(kept.Alarms) != 2 || len(kept.Messages) != 1 || len(kept.Unreadable) != 2 {
		t.Errorf("%d alarms, %d messages, unreadable %v", len(kept.Alarms), len(kept.Messages), kept.Unreadable)
	}
	all, err := s.Entries(9, nil)
	since, err2 := s.Since(midnight)
	_, err3 := s.Forget(nil, midnight.Add(time.Hour))
	left, err4 := s.Entries(9, nil)
	if err := errors.Join(err, err2, err3, err4); err != nil || len(all) != 2 || len(since) != 2 || len(left) != 0 {
		t.Errorf("%v: %d entries, %d since, %d left", err, len(all), len(since), len(left))
	}
}
