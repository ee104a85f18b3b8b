package journal

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	bolt "go.etcd.io/bbolt"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
)

// told is what a journal says of a fan, the newest first, at most n.
func told(t testing.TB, s *Store, fan reading.FanID, n int) string {
	t.Helper()
	var all []string
	err := s.EntriesOf(fan, func(e *alarm.Entry) bool {
		all = append(all, fmt.Sprint(e.Of(), " ", e.Why))
		return len(all) < n
	})
	if err != nil {
		t.Error(err)
	}
	return strings.Join(all, ", ")
}

// of is an entry about a fan's alarm, or a gateway's where there is no fan.
func of(fan reading.FanID, n int) alarm.Entry {
	return alarm.Entry{Time: midnight.Add(time.Duration(n) * time.Minute), What: alarm.WasRaised, Why: fmt.Sprint(n),
		Alarm: &alarm.Alarm{ID: alarm.ID(fmt.Sprint(fan, n)), Fan: fan}}
}

func TestEntriesOfOneFan(t *testing.T) {
	path := filepath.Join(t.TempDir(), "journal.db")
	s, _ := open(t, path)
	taken := alarm.Entry{Time: midnight.Add(5 * time.Minute), What: alarm.WasTakenOut, Fan: "ef1", Why: "5"}
	all := []alarm.Entry{of("ef1", 0), of("ef10", 1), of("", 2), of("ef1", 3), of("ef2", 4), taken, of("ef0", 6)}
	if err := s.Write(&Change{Entries: all}); err != nil {
		t.Fatal(err)
	}
	look := func(when string) {
		t.Helper()
		for fan, want := range map[reading.FanID]string{"ef1": "ef1 5, ef1 3, ef1 0", "ef10": "ef10 1", "ef2": "ef2 4", "ef0": "ef0 6",
			"ef": "", "ef11": "", "ef3": "", "a": "", "": ""} {
			if got := told(t, s, fan, 9); got != want {
				t.Errorf("%s: %s: %q, want %q", when, fan, got, want)
			}
		}
	}
	look("as written")
	if got := told(t, s, "ef1", 2); got != "ef1 5, ef1 3" {
		t.Errorf("two of them: %q", got)
	}
	// A file of the time before fans had a bucket of their own, with an entry that
	// cannot be read.
	if err := s.update(func(tx *bolt.Tx) error {
		return errors.Join(tx.DeleteBucket(ofFans), tx.Bucket(entries).Put([]byte("what"), []byte("?")))
	}); err != nil {
		t.Fatal(err)
	}
	s.Close()
	s, _ = open(t, path)
	look("of an old file")
	if _, err := s.Forget(nil, midnight.Add(4*time.Minute)); err != nil {
		t.Fatal(err)
	}
	if got := told(t, s, "ef1", 9) + told(t, s, "ef10", 9); got != "ef1 5" {
		t.Errorf("after the old ones are gone: %q", got)
	}
	if n := s.db.Stats(); n.OpenTxN != 0 {
		t.Errorf("%d readers are left", n.OpenTxN)
	}
}

// A hundred entries of a fan among a hundred thousand.
func BenchmarkEntriesOf(b *testing.B) {
	s, _, err := Open(filepath.Join(b.TempDir(), "journal.db"))
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	for n := 0; n < 100_000; n += 10_000 {
		var all []alarm.Entry
		for i := range 10_000 {
			e := one(n + i)
			e.Alarm.Fan = reading.FanID(fmt.Sprint("ef", i%1000))
			all = append(all, e)
		}
		if err := s.Write(&Change{Entries: all}); err != nil {
			b.Fatal(err)
		}
	}
	for name, read := range map[string]func(want func(*alarm.Entry) bool) error{
		"of one fan": func(want func(*alarm.Entry) bool) error {
			return s.EntriesOf("ef7", func(e *alarm.Entry) bool { want(e); return true })
		},
		"through all": func(want func(*alarm.Entry) bool) error { _, err := s.Entries(1000, want); return err },
	} {
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				n := 0
				if err := read(func(e *alarm.Entry) bool {
					if e.Of() == "ef7" {
						n++
					}
					return false
				}); err != nil || n != 100 {
					b.Fatal(n, err)
				}
			}
		})
	}
}
