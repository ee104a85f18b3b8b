package daemon

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/notify"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// desk is where alarms are handled. What the rules find and what people do
// goes into the book, is written to the disk together with the messages that it
// calls for, and only then is told to anyone.
//
// A disk that takes nothing stops nobody: what could not be written is kept, the
// desk goes on from memory, tells it in the log, in metrics and at every try, and
// writes again when it can.
type desk struct {
	log *zap.Logger
	now func() time.Time
	// changed is told that a fan came into or went out of service, so that it is
	// judged or not.
	changed func(fan reading.FanID, out bool, now time.Time)

	revision atomic.Uint64 // another number after every change of the book

	dir    string // "": nothing is to outlive the process
	mu     sync.Mutex
	book   *alarm.Book
	post   *notify.Post
	fans   map[reading.FanID]bool // of the fleet file
	store  *journal.Store         // nil: nothing outlives the process
	outbox map[string]journal.Message
	owed   owed
	taken  error         // another process has the store
	down   bool          // the last write failed
	recent []alarm.Entry // where there is no store: the journal's last entries
	// baselines are the settings recorded at turnover.
	baselines map[reading.FanID]condition.Baseline
	tried     time.Time // when it was last tried to open the store
	forgot    time.Time // when what is long over was last dropped
}

const (
	journalFile = "journal.db"
	mostOwed    = 50000 // entries that wait for the disk: beyond it the oldest are dropped
	mostWaiting = 20000 // messages that wait for their receivers: likewise
	mostRecent  = 1000
	mostTold    = 10 // things that cannot be read
	// keepAlarms and keepJournal bound what is kept of what is over.
	keepAlarms  = 90 * 24 * time.Hour
	keepJournal = 366 * 24 * time.Hour
	openEvery   = 30 * time.Second
	forgetEvery = 10 * time.Minute
)

// newDesk opens the store that a fleet file names, if it does, and goes on with
// what it holds. A store that cannot be opened is told and stops nothing.
func newDesk(fleet *config.Fleet, log *zap.Logger, now func() time.Time) *desk {
	d := &desk{dir: fleet.Store.Dir, log: log, now: now, book: alarm.NewBook(nil, nil), post: notify.NewPost(fleet),
		outbox: make(map[string]journal.Message), changed: func(reading.FanID, bool, time.Time) {}}
	d.owed.clear()
	d.know(fleet)
	d.open(now())
	return d
}

// know notes which fans there are.
func (d *desk) know(fleet *config.Fleet) {
	d.fans = make(map[reading.FanID]bool)
	for _, f := range fleet.Fans {
		d.fans[f.ID] = true
	}
}

// open opens the store and takes over what it holds and the desk does not know.
func (d *desk) open(now time.Time) {
	if d.dir == "" || d.store != nil || !d.tried.IsZero() && now.Sub(d.tried) < openEvery {
		return
	}
	d.tried = now
	err := os.MkdirAll(d.dir, 0o750)
	var kept *journal.Kept
	if err == nil {
		d.store, kept, err = journal.Open(filepath.Join(d.dir, journalFile))
	}
	if errors.Is(err, journal.ErrInUse) {
		d.taken = err
		return
	}
	if d.wrote(err); err != nil {
		return
	}
	for _, err := range kept.Unreadable[:min(len(kept.Unreadable), mostTold)] {
		d.log.Error("something that was kept cannot be read, and is left as it is", zap.Int("of", len(kept.Unreadable)), zap.Error(err))
	}
	d.book.Keep(kept.Alarms, kept.Out)
	d.baselines = kept.Baselines
	d.revision.Add(1)
	if week, err := d.store.Since(alarm.FiguresSince(now)); err == nil {
		d.book.Recount(week)
	}
	for _, m := range kept.Messages {
		if _, known := d.outbox[m.ID]; !known && !d.owed.gone[m.ID] {
			notify.Resume(&m, now)
			d.outbox[m.ID] = m
		}
	}
	d.renewWays(now)
	d.log.Info("alarms are kept", zap.String("file", filepath.Join(d.dir, journalFile)), zap.Int("alarms", len(kept.Alarms)),
		zap.Int("messages", len(kept.Messages)))
}

// close lets go of the store, after a last try to write what is owed.
func (d *desk) close() {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.commit(nil)
	if d.store != nil {
		if err := d.store.Close(); err != nil {
			d.log.Error("the store was not closed well", zap.Error(err))
		}
		d.store = nil
	}
}

// take notes what the rules found, and calls for the messages about it.
func (d *desk) take(changes []condition.Transition) { d.note(changes, true) }

// recall notes what the rules found in the past: it is no news.
func (d *desk) recall(changes []condition.Transition) { d.note(changes, false) }

func (d *desk) note(changes []condition.Transition, news bool) {
	if len(changes) == 0 {
		return
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	var entries []alarm.Entry
	for i := range changes {
		entries = append(entries, d.book.Take(&changes[i])...)
	}
	d.revision.Add(1)
	if news {
		d.call(entries)
	}
	d.commit(entries)
}

// commit writes entries, and what waits to be written. The caller holds the
// lock.
func (d *desk) commit(entries []alarm.Entry) {
	for i := range entries {
		if a := entries[i].Alarm; a != nil {
			delete(d.owed.alarms, a.ID) // the entry has it as it is now
		}
	}
	d.owed.entries = append(d.owed.entries, entries...)
	if over := len(d.owed.entries) - mostOwed; over > 0 {
		d.owed.entries = slices.Delete(d.owed.entries, 0, over)
	}
	d.recent = append(d.recent, entries...)
	if over := len(d.recent) - mostRecent; over > 0 {
		d.recent = slices.Delete(d.recent, 0, over)
	}
	if d.dir == "" {
		d.owed.clear()
	}
	change := d.owed.change()
	if d.store == nil || change.Empty() {
		return
	}
	if d.wrote(d.store.Write(change)); !d.down {
		d.owed.clear()
	}
}

// wrote notes how a write ended, and tells it when that is new.
func (d *desk) wrote(err error) {
	switch {
	case err != nil && !d.down:
		d.log.Error("alarms cannot be written: make room on the disk of [store] dir, or make it writable; nothing is lost while the daemon runs",
			zap.Error(err))
	case err == nil && d.down:
		d.log.Info("alarms are written again")
	}
	d.down = err != nil
}

// tick ends shelves, tries again to write what is owed, and drops what is long
// over. It reports whether the store was opened by it, so that there is more to know
// than when the daemon started.
func (d *desk) tick(now time.Time) (opened bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	before := d.store
	d.open(now)
	opened = d.store != before
	entries := d.book.Tick(now)
	if len(entries) > 0 {
		d.revision.Add(1)
	}
	d.call(entries) // what comes from the shelf is news again
	d.commit(entries)
	if ago := now.Sub(d.forgot); ago >= forgetEvery || d.down && ago >= openEvery { // where nothing is owed it shows that the disk is well
		d.forget(now)
	}
	return opened
}

// forgetLeft drops that fans are out of service which left the fleet file, once it is
// long ago: nobody can put those back. Until then a fan that comes back is as it was.
func (d *desk) forgetLeft(now time.Time) {
	for fan, act := range d.book.Out() {
		if d.fans[fan] || act.Time.After(now.Add(-keepAlarms)) {
			continue
		}
		entries, err := d.book.PutIn(fan, "fanwarden", now)
		if err != nil || len(entries) == 0 {
			continue
		}
		entries[0].Why = "it left the fleet file, and was taken out long ago"
		d.revision.Add(1)
		d.commit(entries)
	}
}

// forget drops what is long over.
func (d *desk) forget(now time.Time) {
	d.forgetLeft(now)
	gone := d.book.Forget(now.Add(-keepAlarms))
	d.forgot = now
	if d.store == nil {
		return
	}
	more, err := d.store.Forget(gone, now.Add(-keepJournal))
	if d.wrote(err); more {
		d.forgot = time.Time{} // go on with the next tick
	}
}

// Out returns the fans that are out of service, and why.
func (d *desk) Out() map[reading.FanID]alarm.Act {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.book.Out()
}

// Baseline returns the settings recorded when a fan was handed over.
func (d *desk) Baseline(fan reading.FanID) (b condition.Baseline, recorded bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	b, recorded = d.baselines[fan]
	return b, recorded
}

// figures returns how the alarms and their store do.
func (d *desk) figures() (alarm.Figures, export.Store) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.book.Figures(d.now()), export.Store{Used: d.dir != "", Up: !d.down, Pending: len(d.outbox)}
}

// standing counts the alarms that stand and are not put aside.
func (d *desk) standing() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	n := 0
	for _, a := range d.book.All() {
		if a.State.Active() && !a.Quiet() {
			n++
		}
	}
	return n
}

// act does what somebody asks for, and writes it before it returns.
func (d *desk) act(what func(now time.Time) ([]alarm.Entry, error)) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	entries, err := what(d.now())
	if err == nil {
		d.revision.Add(1)
		d.call(entries)
		d.commit(entries)
	}
	return err
}

// Alarms returns every alarm, the newest first.
func (d *desk) Alarms() []alarm.Alarm {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.book.All()
}

// Alarm returns one alarm.
func (d *desk) Alarm(id alarm.ID) (alarm.Alarm, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.book.Find(id)
}

// Journal returns the last entries that want accepts, the newest first.
func (d *desk) Journal(n int, want func(*alarm.Entry) bool) ([]alarm.Entry, error) {
	d.mu.Lock()
	store, recent := d.store, slices.Clone(d.recent)
	d.mu.Unlock()
	if store != nil {
		return store.Entries(n, want)
	}
	var found []alarm.Entry
	for i := len(recent) - 1; i >= 0 && len(found) < n; i-- {
		if want == nil || want(&recent[i]) {
			found = append(found, recent[i])
		}
	}
	return found, nil
}

// JournalOf calls yield with the entries about a fan, the newest first, as long
// as it wants more: those that wait for the disk, and then those on it.
func (d *desk) JournalOf(fan reading.FanID, yield func(*alarm.Entry) (more bool)) error {
	store, waiting := d.unwritten()
	for i := len(waiting) - 1; i >= 0; i-- {
		if waiting[i].Of() == fan && !yield(&waiting[i]) {
			return nil
		}
	}
	if store == nil {
		return nil
	}
	return store.EntriesOf(fan, yield)
}

// JournalBack does the same with the entries about anything.
func (d *desk) JournalBack(yield func(*alarm.Entry) (more bool)) error {
	store, waiting := d.unwritten()
	for i := len(waiting) - 1; i >= 0; i-- {
		if !yield(&waiting[i]) {
			return nil
		}
	}
	if store == nil {
		return nil
	}
	return store.Back(yield)
}

// unwritten returns the entries that are not on the disk, and the store that has
// the others.
func (d *desk) unwritten() (*journal.Store, []alarm.Entry) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dir == "" {
		return d.store, slices.Clone(d.recent)
	}
	return d.store, slices.Clone(d.owed.entries)
}

// Acknowledge notes that somebody knows of an alarm.
func (d *desk) Acknowledge(id alarm.ID, who, note string) error {
	return d.act(func(now time.Time) ([]alarm.Entry, error) { return d.book.Acknowledge(id, who, note, now) })
}

// Shelve puts an alarm aside until a time.
func (d *desk) Shelve(id alarm.ID, who, reason string, until time.Time) error {
	return d.act(func(now time.Time) ([]alarm.Entry, error) { return d.book.Shelve(id, who, reason, until, now) })
}

// Unshelve takes it back.
func (d *desk) Unshelve(id alarm.ID, who string) error {
	return d.act(func(now time.Time) ([]alarm.Entry, error) { return d.book.Unshelve(id, who, now) })
}

// TakeOut takes a fan out of service, from when on it is not judged.
func (d *desk) TakeOut(fan reading.FanID, who, reason string) error {
	err := d.act(func(now time.Time) ([]alarm.Entry, error) { return d.book.TakeOut(fan, who, reason, now) })
	if err == nil {
		d.changed(fan, true, d.now())
	}
	return err
}

// PutIn puts it into service again.
func (d *desk) PutIn(fan reading.FanID, who string) error {
	err := d.act(func(now time.Time) ([]alarm.Entry, error) { return d.book.PutIn(fan, who, now) })
	if err == nil {
		d.changed(fan, false, d.now())
	}
	return err
}

// Unkept says why what was just done is not on disk; "": it is, or nothing is to be
// kept.
func (d *desk) Unkept() string {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.dir == "" || d.store != nil && !d.down {
		return ""
	}
	return "the store is down: it is lost if the daemon ends before it can write again; make room on the disk of [store] dir, or make it writable"
}

// Revision returns another number after any change of an alarm or of what is out
// of service. It waits for nothing.
func (d *desk) Revision() uint64 { return d.revision.Load() }

// Figures returns how the alarms do.
func (d *desk) Figures() alarm.Figures {
	figures, _ := d.figures()
	return figures
}

// errNothingKept is the answer where there is nothing to copy.
var errNothingKept = errors.New("nothing is kept: give a folder in [store] dir")

// Backup writes a copy of the store as it is now.
func (d *desk) Backup(w io.Writer) error {
	d.mu.Lock()
	store := d.store
	d.mu.Unlock()
	if store == nil {
		return errNothingKept
	}
	_, err := store.Backup(w)
	return err
}
