// Package journal keeps on disk what must outlive the daemon: the alarms, who
// did what with them and why, the fans out of service, the records of turnover and
// the settings found at it, and the messages that are still to be delivered.
//
// Everything lies in one file (bbolt). What is written is on the disk when the
// call returns, all of it or nothing, so that a process that is killed at any
// instant has neither lost what it has told nor told what it has lost.
package journal

import (
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime/debug"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Message is something that is to be delivered to one receiver, at least once.
type Message struct {
	ID    string     `json:"id"`              // the same at every attempt, so that a receiver can drop repeats
	Way   string     `json:"way"`             // the name of the way out, as in the fleet file
	Made  time.Time  `json:"made"`            // when
	Draft *Draft     `json:"draft,omitempty"` // what is to be told, of one that is not in words yet
	Body  []byte     `json:"body,omitempty"`  // the words, ready for the way out
	To    []string   `json:"to,omitempty"`    // who has not got it yet, of several; nil: all
	About []alarm.ID `json:"about,omitempty"` // the alarms that it calls somebody for; nil where it has other news too
	Tries int        `json:"tries,omitempty"` // so far
	Next  time.Time  `json:"next"`            // not to be tried before
}

// Draft is what a message is to tell, before it is put into words: by then the
// alarm may have changed.
type Draft struct {
	Alarm alarm.ID   `json:"alarm"`
	What  alarm.What `json:"what"` // happened to it
}

// Kept is what a store held when it was opened.
type Kept struct {
	Alarms    []alarm.Alarm
	Out       map[reading.FanID]alarm.Act // fans out of service
	Messages  []Message                   // in the order in which they were made
	Baselines map[reading.FanID]condition.Baseline
	// Unreadable are values that make no sense. They stay in the file, and the
	// others do without them.
	Unreadable []error
}

// Store is the open file. It may be used by several goroutines at once.
type Store struct{ db *bolt.DB }

var (
	alarms    = []byte("alarms")    // id: alarm
	entries   = []byte("entries")   // number: entry
	ofFans    = []byte("of fans")   // fan and number of an entry about it: nothing
	out       = []byte("out")       // fan: act
	outbox    = []byte("outbox")    // id: message
	baselines = []byte("baselines") // fan: baseline
)

// ErrInUse is the error of a store that another process has.
var ErrInUse = errors.New("it is in use by another process; stop that one first")

// busy is how long to wait for another process to let go of the file: about
// as long as a daemon takes to stop.
const busy = 3 * time.Second

// Open opens the store in a file, which is made where there is none, and
// returns what it holds. The error says whether another process has it, or it
// is damaged.
func Open(path string) (s *Store, kept *Kept, err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer damaged(path, &err)
	db, err := bolt.Open(path, 0o600, &bolt.Options{Timeout: busy, FreelistType: bolt.FreelistMapType})
	switch {
	case errors.Is(err, bolt.ErrTimeout):
		return nil, nil, fmt.Errorf("%s: %w", path, ErrInUse)
	case errors.Is(err, os.ErrPermission):
		return nil, nil, fmt.Errorf("%w; give the daemon the right to write there", err)
	case err != nil:
		return nil, nil, fmt.Errorf("%s cannot be opened: %w; move it away, or put a copy in its place", path, err)
	}
	s = &Store{db}
	if kept, err = s.read(); err != nil {
		return nil, nil, errors.Join(fmt.Errorf("%s cannot be read: %w; move it away, or put a copy in its place", path, err), db.Close())
	}
	return s, kept, nil
}

// damaged makes an error of the panic with which bbolt meets a file that is not
// whole, be it a page that makes no sense or one that is not there: the daemon
// goes on without it.
func damaged(path string, err *error) {
	if what := recover(); what != nil {
		*err = fmt.Errorf("%s is damaged (%v); move it away, or put a copy in its place", path, what)
	}
}

// update changes the file, or says that it is damaged.
func (s *Store) update(change func(tx *bolt.Tx) error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer damaged(s.db.Path(), &err)
	return s.db.Update(change)
}

// view reads it, likewise.
func (s *Store) view(read func(tx *bolt.Tx) error) (err error) {
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	defer damaged(s.db.Path(), &err)
	return s.db.View(read)
}

// read makes the buckets and reads all that is needed in memory.
func (s *Store) read() (*Kept, error) {
	kept := &Kept{Out: make(map[reading.FanID]alarm.Act), Baselines: make(map[reading.FanID]condition.Baseline)}
	err := s.update(func(tx *bolt.Tx) error {
		for _, name := range [][]byte{alarms, entries, out, outbox, baselines, turnovers} {
			if _, err := tx.CreateBucketIfNotExists(name); err != nil {
				return err
			}
		}
		return errors.Join(
			sortByFan(tx),
			each(tx, alarms, kept, func(_ []byte, a alarm.Alarm) { kept.Alarms = append(kept.Alarms, a) }),
			each(tx, out, kept, func(fan []byte, a alarm.Act) { kept.Out[reading.FanID(fan)] = a }),
			each(tx, outbox, kept, func(_ []byte, m Message) { kept.Messages = append(kept.Messages, m) }),
			each(tx, baselines, kept, func(fan []byte, b condition.Baseline) { kept.Baselines[reading.FanID(fan)] = b }))
	})
	slices.SortStableFunc(kept.Messages, func(a, b Message) int { return a.Made.Compare(b.Made) })
	return kept, err
}

// each reads every value of a bucket that can be read.
func each[T any](tx *bolt.Tx, bucket []byte, kept *Kept, take func(key []byte, value T)) error {
	return tx.Bucket(bucket).ForEach(func(key, data []byte) error {
		var value T
		if err := json.Unmarshal(data, &value); err != nil {
			kept.Unreadable = append(kept.Unreadable, fmt.Errorf("%q of %s: %w", key, bucket, err))
		} else {
			take(key, value)
		}
		return nil
	})
}

// Close lets go of the file.
func (s *Store) Close() error { return s.db.Close() }

// Change is something to be kept, all of it or nothing.
type Change struct {
	Entries  []alarm.Entry // with the alarms and fans that they are about
	Alarms   []alarm.Alarm // that changed without an entry
	Gone     []string      // messages that are done with
	Messages []Message     // for delivery, or to be tried again
}

// Empty reports whether there is nothing to keep.
func (c *Change) Empty() bool {
	return len(c.Entries)+len(c.Alarms)+len(c.Gone)+len(c.Messages) == 0
}

// Write keeps a change.
func (s *Store) Write(c *Change) error {
	if c.Empty() {
		return nil
	}
	return s.update(func(tx *bolt.Tx) error {
		for i := range c.Entries {
			if err := writeEntry(tx, &c.Entries[i]); err != nil {
				return err
			}
		}
		for i := range c.Alarms {
			if err := put(tx, alarms, []byte(c.Alarms[i].ID), &c.Alarms[i]); err != nil {
				return err
			}
		}
		for _, id := range c.Gone {
			if err := tx.Bucket(outbox).Delete([]byte(id)); err != nil {
				return err
			}
		}
		for i := range c.Messages {
			if err := put(tx, outbox, []byte(c.Messages[i].ID), &c.Messages[i]); err != nil {
				return err
			}
		}
		return nil
	})
}

func writeEntry(tx *bolt.Tx, e *alarm.Entry) error {
	number, err := tx.Bucket(entries).NextSequence()
	if err != nil {
		return err
	}
	key := binary.BigEndian.AppendUint64(nil, number)
	if err := put(tx, entries, key, e); err != nil {
		return err
	}
	if err := noteOfFan(tx, e, key); err != nil {
		return err
	}
	switch {
	case e.Alarm != nil:
		return put(tx, alarms, []byte(e.Alarm.ID), e.Alarm)
	case e.What == alarm.WasTakenOut:
		return put(tx, out, []byte(e.Fan), alarm.Act{Time: e.Time, Who: e.Who, Why: e.Why})
	case e.What == alarm.WasPutIntoService:
		return tx.Bucket(out).Delete([]byte(e.Fan))
	}
	return nil
}

func put(tx *bolt.Tx, bucket, key []byte, value any) error {
	data, err := json.Marshal(value)
	if err != nil {
		return err
	}
	return tx.Bucket(bucket).Put(key, data)
}

// Record keeps the settings of a fan as its baseline.
func (s *Store) Record(fan reading.FanID, b condition.Baseline) error {
	return s.update(func(tx *bolt.Tx) error { return put(tx, baselines, []byte(fan), b) })
}

// Entries returns the last entries of the journal, the newest first, at most n,
// and only such as want accepts (all where it is nil).
func (s *Store) Entries(n int, want func(*alarm.Entry) bool) ([]alarm.Entry, error) {
	var found []alarm.Entry
	err := s.Back(func(e *alarm.Entry) bool {
		if len(found) < n && (want == nil || want(e)) {
			found = append(found, *e)
		}
		return len(found) < n
	})
	return found, err
}

// Since returns the entries of the journal from a time on, the oldest first.
func (s *Store) Since(from time.Time) ([]alarm.Entry, error) {
	var found []alarm.Entry
	err := s.Back(func(e *alarm.Entry) bool {
		if e.Time.Before(from) {
			return false
		}
		found = append(found, *e)
		return true
	})
	slices.Reverse(found)
	return found, err
}

// Back calls yield with the entries of the journal, the newest first, as long as
// it wants more. Writing goes on meanwhile.
func (s *Store) Back(yield func(*alarm.Entry) (more bool)) error {
	return s.view(func(tx *bolt.Tx) error {
		c := tx.Bucket(entries).Cursor()
		for key, data := c.Last(); key != nil; key, data = c.Prev() {
			var e alarm.Entry
			if json.Unmarshal(data, &e) != nil {
				continue // the others do without it
			}
			if !yield(&e) {
				return nil
			}
		}
		return nil
	})
}

// Forget drops alarms, and entries that are older than a time. At most a
// bounded number goes at once, so that nobody waits long; it reports whether
// more are left.
func (s *Store) Forget(gone []alarm.ID, before time.Time) (more bool, err error) {
	const most = 2000
	err = s.update(func(tx *bolt.Tx) error {
		for _, id := range gone {
			if err := tx.Bucket(alarms).Delete([]byte(id)); err != nil {
				return err
			}
		}
		c := tx.Bucket(entries).Cursor()
		n := 0
		for key, data := c.First(); key != nil; key, data = c.Next() {
			var e alarm.Entry
			if json.Unmarshal(data, &e) != nil {
				continue // the others do without it
			}
			if !e.Time.Before(before) {
				return nil
			}
			if n++; n > most {
				more = true
				return nil
			}
			if err := errors.Join(dropOfFan(tx, &e, key), c.Delete()); err != nil {
				return err
			}
		}
		return nil
	})
	return more, err
}

// Backup writes a copy of the store as it is now; writing goes on meanwhile.
func (s *Store) Backup(w io.Writer) (n int64, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		n, err = tx.WriteTo(w)
		return err
	})
	return n, err
}
