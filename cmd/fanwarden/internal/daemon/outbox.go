package daemon

import (
	"cmp"
	"slices"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export/notify"
	"fanwarden/rules/alarm"
	"fanwarden/rules/journal"
)

// owed is what is not on the disk yet.
type owed struct {
	entries  []alarm.Entry
	alarms   map[alarm.ID]alarm.Alarm
	messages map[string]journal.Message
	gone     map[string]bool // messages
}

func (o *owed) clear() {
	o.entries = o.entries[:0]
	o.alarms, o.messages, o.gone = make(map[alarm.ID]alarm.Alarm), make(map[string]journal.Message), make(map[string]bool)
}

// change is all of it, for the store.
func (o *owed) change() *journal.Change {
	c := &journal.Change{Entries: o.entries}
	for _, a := range o.alarms {
		c.Alarms = append(c.Alarms, a)
	}
	for id := range o.gone {
		c.Gone = append(c.Gone, id)
	}
	for _, m := range o.messages {
		c.Messages = append(c.Messages, m)
	}
	return c
}

// keep puts a message into the outbox, and drop takes one out; both are written
// with the next commit.
func (d *desk) keep(m journal.Message) {
	d.outbox[m.ID], d.owed.messages[m.ID] = m, m
	delete(d.owed.gone, m.ID)
}

func (d *desk) drop(id string) {
	delete(d.outbox, id)
	delete(d.owed.messages, id)
	d.owed.gone[id] = true
}

// call drafts the messages that entries call for.
func (d *desk) call(entries []alarm.Entry) {
	for _, m := range d.post.Drafts(entries) {
		d.keep(m)
	}
	over := len(d.outbox) - mostWaiting
	if over <= 0 {
		return
	}
	for _, m := range d.waiting(func(*journal.Message) bool { return true })[:over] {
		d.drop(m.ID)
	}
	d.log.Error("too many messages wait for their receivers: the oldest were dropped", zap.Int("dropped", over))
}

// waiting returns messages of the outbox in the order in which they were made.
func (d *desk) waiting(want func(*journal.Message) bool) []journal.Message {
	var all []journal.Message
	for _, m := range d.outbox {
		if want(&m) {
			all = append(all, m)
		}
	}
	slices.SortFunc(all, func(a, b journal.Message) int {
		return cmp.Or(a.Made.Compare(b.Made), cmp.Compare(a.ID, b.ID))
	})
	return all
}

// renewWays drops messages for ways out that the fleet file no longer has, and
// drafts others about what stands and was told by none of those that it has.
func (d *desk) renewWays(now time.Time) {
	dropped := d.waiting(func(m *journal.Message) bool { return d.post.Way(m.Way) == nil })
	lost := make(map[alarm.ID]bool)
	for _, m := range dropped {
		d.drop(m.ID)
		if m.Draft != nil {
			lost[m.Draft.Alarm] = true
		}
		for _, id := range m.About {
			lost[id] = true
		}
	}
	if len(dropped) > 0 {
		d.log.Warn("messages were dropped: the fleet file no longer has their [[notify.ways]]; what stands goes the ways that it has",
			zap.Int("messages", len(dropped)), zap.String("way", dropped[0].Way))
	}
	type draft struct {
		way   string
		alarm alarm.ID
	}
	waiting := make(map[draft]bool)
	for _, m := range d.outbox {
		if m.Draft != nil {
			waiting[draft{m.Way, m.Draft.Alarm}] = true
		}
	}
	waits := func(way string, id alarm.ID) bool { return waiting[draft{way, id}] }
	for _, m := range d.post.Untold(d.book.All(), lost, waits, now) {
		d.keep(m)
	}
}

// setFleet takes a new fleet file.
func (d *desk) setFleet(fleet *config.Fleet) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.post.SetFleet(fleet)
	d.know(fleet)
	now := d.now()
	d.renewWays(now)
	for _, m := range d.outbox {
		if m.Tries > 0 { // what went wrong may be mended
			m.Next = now
			d.keep(m)
		}
	}
	d.commit(nil)
}

// Ready puts the drafts of a way into words where they are due, keeps what
// became of them, and returns the messages that are to be tried now, in the order
// in which they were made.
func (d *desk) Ready(w *config.Way, now time.Time) []journal.Message {
	d.mu.Lock()
	defer d.mu.Unlock()
	drafts := d.waiting(func(m *journal.Message) bool { return m.Way == w.ID && m.Draft != nil })
	if len(drafts) > 0 {
		d.compose(w, drafts, now)
	}
	d.dropLate(w)
	return d.waiting(func(m *journal.Message) bool { return m.Way == w.ID && m.Draft == nil && !m.Next.After(now) })
}

// dropLate drops messages that have waited for their receiver until there was no
// need of it. Who surely has not heard of an alarm need not hear that it is over.
func (d *desk) dropLate(w *config.Way) {
	late := d.waiting(func(m *journal.Message) bool { return m.Way == w.ID && m.Draft == nil && notify.Late(m, d.book.Find) })
	for _, m := range late {
		d.drop(m.ID)
		for _, id := range m.About {
			if m.Tries > 0 {
				continue // it may have got there
			}
			if a, known := d.book.Told(id, w.ID, true); known {
				d.owed.alarms[id] = a
			}
		}
	}
	if len(late) > 0 {
		d.log.Info("messages were not sent: while they waited, somebody took care of what they tell", zap.String("way", w.ID), zap.Int("messages", len(late)))
		d.commit(nil)
	}
}

func (d *desk) compose(w *config.Way, drafts []journal.Message, now time.Time) {
	c := d.post.Compose(w, drafts, now, d.book.Find)
	for _, id := range c.Gone {
		d.drop(id)
	}
	for _, m := range c.Messages {
		d.keep(m)
	}
	for _, ids := range []struct {
		of   []alarm.ID
		over bool
	}{{c.Told, false}, {c.Over, true}} {
		for _, id := range ids.of {
			if a, known := d.book.Told(id, w.ID, ids.over); known {
				d.owed.alarms[id] = a
			}
		}
	}
	if len(c.Gone)+len(c.Messages) > 0 {
		d.commit(nil)
	}
}

// Delivered takes out a message that its receiver has.
func (d *desk) Delivered(id string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.drop(id)
	d.commit(nil)
}

// Again keeps a message that is to be tried again, unless it was dropped while it
// was tried.
func (d *desk) Again(m journal.Message) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if _, waits := d.outbox[m.ID]; !waits {
		return
	}
	d.keep(m)
	d.commit(nil)
}
