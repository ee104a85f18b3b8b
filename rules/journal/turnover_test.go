package journal

import (
	"fmt"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func runOn(at time.Time, seconds float64) condition.Baseline {
	return condition.Baseline{Time: at, Settings: map[reading.Point]float64{reading.RunOn: seconds}}
}

// A record and its baseline are there after the file was opened again, to the
// byte, and are no other fan's.
func TestATurnoverIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	s, _ := open(t, path)
	const first, second = `{ "fan":"ef1",  "began":1}`, `{"fan":"ef1","began":2}`
	for _, err := range []error{
		s.KeepTurnover("ef1", midnight.Add(time.Hour), []byte(second), runOn(midnight, 90)),
		s.KeepTurnover("ef1", midnight, []byte(first), condition.Baseline{}),
		s.KeepTurnover("ef11", midnight, []byte(`{}`), runOn(midnight, 30)),
		s.KeepTurnover("ef1", midnight.Add(time.Hour), []byte(second), runOn(midnight, 120)),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	s.Close()
	s, kept := open(t, path)
	if got := kept.Baselines["ef1"].Settings[reading.RunOn]; got != 120 {
		t.Errorf("the baseline's run-on is %v, want 120", got)
	}
	records, err := s.Turnovers("ef1")
	if err != nil || len(records) != 2 || string(records[0].Record) != second || string(records[1].Record) != first || !records[1].Began.Equal(midnight) {
		t.Errorf("%v; %q", err, records)
	}
	for fan, want := range map[reading.FanID]int{"ef11": 1, "ef": 0, "ef2": 0} {
		if records, err := s.Turnovers(fan); err != nil || len(records) != want {
			t.Errorf("%s: %v; %d records, want %d", fan, err, len(records), want)
		}
	}
}

// Of many records the first and the last ones stay.
func TestTurnoversAreBounded(t *testing.T) {
	s, _ := open(t, filepath.Join(t.TempDir(), "journal.db"))
	const all = 25
	for i := range all {
		record := fmt.Appendf(nil, "%d", i)
		if err := s.KeepTurnover("ef1", time.Unix(0, 0).AddDate(i-2, 0, 0), record, condition.Baseline{}); err != nil { // some before 1970
			t.Fatal(err)
		}
	}
	records, err := s.Turnovers("ef1")
	if err != nil || len(records) != 1+lastTurnovers {
		t.Fatalf("%v; %d are kept, want %d", err, len(records), 1+lastTurnovers)
	}
	for i, record := range records {
		want := fmt.Sprint(all - 1 - i)
		if i == lastTurnovers {
			want = "0"
		}
		if n, _ := strconv.Atoi(want); !record.Began.Equal(time.Unix(0, 0).AddDate(n-2, 0, 0)) {
			t.Errorf("record %s began %v", want, record.Began)
		}
		if string(record.Record) != want {
			t.Errorf("record %d is %s, want %s", i, record.Record, want)
		}
	}
}
