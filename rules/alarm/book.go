package alarm

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Figures of an alarm's life. (Engineering choices, but for chattering: three
// in a minute chatter by ISA-18.2-2016, table 7; here a slower one is damped
// too.)
const (
	// again is how soon after it was cleared a condition that is raised again is
	// the same alarm.
	again = 10 * time.Minute
	// An alarm chatters when it has come so often within chatterTime; it ceases
	// when it has kept still for as long.
	chatterTimes = 3
	chatterTime  = 30 * time.Minute
	// LongestShelf is the longest time that an alarm may be put aside.
	LongestShelf = 7 * 24 * time.Hour
)

// Errors of what people ask for.
var (
	ErrUnknown = errors.New("there is no such alarm")
	ErrReason  = errors.New("say why: a reason is wanted")
	ErrWho     = errors.New("say who: a name is wanted")
	ErrTime    = fmt.Errorf("an alarm can be shelved from now on for up to %d days", int(LongestShelf/(24*time.Hour)))
)

// source is what an alarm is of.
type source struct {
	gateway reading.GatewayID
	fan     reading.FanID
	name    condition.Name
}

// Book holds every alarm that is not over and known, and those that were until
// a while ago. It is not safe for use by several goroutines at once.
type Book struct {
	alarms map[ID]*Alarm
	latest map[source]*Alarm
	comes  map[ID][]time.Time // when it was raised lately
	out    map[reading.FanID]Act
	record record
}

// NewBook returns a book of the alarms and fans that were kept. The alarms
// become the book's own.
func NewBook(kept []Alarm, out map[reading.FanID]Act) *Book {
	b := &Book{alarms: make(map[ID]*Alarm), latest: make(map[source]*Alarm), comes: make(map[ID][]time.Time),
		out: make(map[reading.FanID]Act)}
	for i := range kept {
		b.enter(&kept[i])
	}
	for fan, act := range out {
		b.out[fan] = act
	}
	return b
}

// Keep enters an alarm or a fan out of service that was kept elsewhere, where
// the book does not know of it.
func (b *Book) Keep(kept []Alarm, out map[reading.FanID]Act) {
	for i := range kept {
		if _, known := b.alarms[kept[i].ID]; !known {
			b.enter(&kept[i])
		}
	}
	for fan, act := range out {
		if _, known := b.out[fan]; !known {
			b.out[fan] = act
		}
	}
}

// OutFans returns the fans that are out of service.
func (b *Book) OutFans() []reading.FanID {
	fans := make([]reading.FanID, 0, len(b.out))
	for fan := range b.out {
		fans = append(fans, fan)
	}
	slices.Sort(fans)
	return fans
}

func (b *Book) enter(a *Alarm) {
	b.alarms[a.ID] = a
	of := sourceOf(a)
	if other := b.latest[of]; other == nil || other.Raised.Before(a.Raised) {
		b.latest[of] = a
	}
}

func sourceOf(a *Alarm) source { return source{a.Gateway, a.Fan, a.Condition} }

// Take notes a change of a condition and returns what became of its alarm.
func (b *Book) Take(t *condition.Transition) []Entry {
	a := b.latest[source{t.Gateway, t.Fan, t.Condition}]
	if t.Change == condition.Cleared {
		return b.clear(a, t)
	}
	if a == nil || !b.same(a, t) {
		a = &Alarm{ID: idOf(t), Building: t.Building, Gateway: t.Gateway, Fan: t.Fan, Condition: t.Condition, Since: t.Time}
		_, a.OutOfService = b.out[t.Fan]
		b.fill(a, t)
		b.enter(a)
		b.count(a, t.Time)
		return []Entry{b.entry(t.Time, WasRaised, "", "", a)}
	}
	what := WasRaisedAgain
	switch {
	case a.Reason == condition.Superseded:
		what = WasUrged
	case a.State.Active() && t.Severity <= a.Severity: // told twice, by rules that began anew
		a.Finding, a.Incident = t.Finding, t.Incident
		return nil
	}
	b.fill(a, t)
	b.count(a, t.Time)
	entries := []Entry{b.entry(t.Time, what, "", "", a)}
	if what == WasRaisedAgain && !a.Chattering && b.often(a.ID, t.Time) {
		a.Chattering = true
		entries = append(entries, b.entry(t.Time, BeganToChatter, "", fmt.Sprintf("raised %d times in %s", chatterTimes, chatterTime), a))
	}
	return entries
}

// count adds a raise that people are told of to the figures.
func (b *Book) count(a *Alarm, now time.Time) {
	if !a.Quiet() {
		b.record.note(a, now)
		b.record.total[a.Severity]++
	}
}

// same reports whether a raise belongs to the life of an alarm: it is not over
// yet, or was a moment ago, or lies on the shelf: who put it aside until Friday
// meant what comes back until then, too.
func (b *Book) same(a *Alarm, t *condition.Transition) bool {
	return a.State != Normal || a.Shelf != nil || t.Time.Sub(a.Cleared) <= again
}

// fill takes over what a raise says.
func (b *Book) fill(a *Alarm, t *condition.Transition) {
	urgent := t.Severity > a.Severity || a.Times == 0
	if !a.State.Active() || urgent {
		a.State, a.Acknowledgement = Unacknowledged, nil
	}
	a.Severity, a.Incident, a.Finding, a.Raised = t.Severity, t.Incident, t.Finding, t.Time
	a.Cleared, a.Reason, a.SuppressedBy = time.Time{}, "", ""
	a.Times++
	comes := append(b.comes[a.ID], t.Time)
	if len(comes) > chatterTimes {
		comes = comes[len(comes)-chatterTimes:]
	}
	b.comes[a.ID] = comes
}

// often reports whether an alarm has come too often lately.
func (b *Book) often(id ID, now time.Time) bool {
	comes := b.comes[id]
	return len(comes) >= chatterTimes && now.Sub(comes[len(comes)-chatterTimes]) <= chatterTime
}

// clear notes that a condition is over, or explained by another. One that
// was acknowledged, or that nobody has to know of any more, is over and known.
func (b *Book) clear(a *Alarm, t *condition.Transition) []Entry {
	if a == nil || !a.State.Active() {
		return nil
	}
	a.Cleared, a.Reason = t.Time, t.Reason
	switch {
	case t.Reason == condition.Superseded: // raised again at once, more urgent
		return nil
	case t.Reason == condition.Silenced:
		a.SuppressedBy = t.SilencedBy
		a.State = Normal
		return []Entry{b.entry(t.Time, WasSuppressed, "", string(t.SilencedBy), a)}
	case a.State == Acknowledged || t.Reason == condition.Disarmed:
		a.State = Normal
	default:
		a.State = Returned
	}
	return []Entry{b.entry(t.Time, WasCleared, "", string(t.Reason), a)}
}

// Acknowledge notes that somebody knows of an alarm.
func (b *Book) Acknowledge(id ID, who, note string, now time.Time) ([]Entry, error) {
	a, err := b.find(id, who)
	if err != nil {
		return nil, err
	}
	switch a.State {
	case Unacknowledged:
		a.State = Acknowledged
	case Returned:
		a.State = Normal
	default:
		return nil, nil // known already: saying so twice changes nothing
	}
	a.Acknowledgement = &Act{now, who, note}
	b.record.actSum += b.record.acknowledged(a, now)
	b.record.acts++
	return []Entry{b.entry(now, WasAcknowledged, who, note, a)}, nil
}

// Shelve puts an alarm aside until a time: nobody is told of it until then.
func (b *Book) Shelve(id ID, who, reason string, until, now time.Time) ([]Entry, error) {
	a, err := b.find(id, who)
	switch {
	case err != nil:
		return nil, err
	case reason == "":
		return nil, ErrReason
	case !until.After(now) || until.Sub(now) > LongestShelf:
		return nil, ErrTime
	}
	a.Shelf = &Shelf{Act{now, who, reason}, until}
	return []Entry{b.entry(now, WasShelved, who, reason, a)}, nil
}

// Unshelve takes an alarm from the shelf.
func (b *Book) Unshelve(id ID, who string, now time.Time) ([]Entry, error) {
	a, err := b.find(id, who)
	if err != nil || a.Shelf == nil {
		return nil, err
	}
	a.Shelf = nil
	return []Entry{b.entry(now, WasUnshelved, who, "", a)}, nil
}

// TakeOut takes a fan out of service: nobody is told of its alarms.
func (b *Book) TakeOut(fan reading.FanID, who, reason string, now time.Time) ([]Entry, error) {
	switch {
	case who == "":
		return nil, ErrWho
	case reason == "":
		return nil, ErrReason
	}
	b.out[fan] = Act{now, who, reason}
	return b.mark(fan, true, []Entry{{Time: now, What: WasTakenOut, Who: who, Why: reason, Fan: fan}}), nil
}

// PutIn puts a fan into service again.
func (b *Book) PutIn(fan reading.FanID, who string, now time.Time) ([]Entry, error) {
	if who == "" {
		return nil, ErrWho
	}
	if _, is := b.out[fan]; !is {
		return nil, nil
	}
	delete(b.out, fan)
	return b.mark(fan, false, []Entry{{Time: now, What: WasPutIntoService, Who: who, Fan: fan}}), nil
}

// mark notes on a fan's alarms whether it is out of service, and adds them to
// the entry of the act, so that they are kept with it.
func (b *Book) mark(fan reading.FanID, out bool, entries []Entry) []Entry {
	act := entries[0]
	for _, a := range b.All() {
		if a.Fan == fan && a.OutOfService != out {
			b.alarms[a.ID].OutOfService = out
			entries = append(entries, b.entry(act.Time, act.What, act.Who, act.Why, b.alarms[a.ID]))
		}
	}
	return entries
}

// Tick ends shelves whose time is over and chattering that has ceased. It is
// to be called every few seconds.
func (b *Book) Tick(now time.Time) []Entry {
	var entries []Entry
	for _, id := range b.ids() {
		a := b.alarms[id]
		if a.Shelf != nil && !now.Before(a.Shelf.Until) {
			a.Shelf = nil
			entries = append(entries, b.entry(now, ShelfEnded, "", "", a))
		}
		if a.Chattering && now.Sub(a.Raised) > chatterTime {
			a.Chattering = false
			entries = append(entries, b.entry(now, CeasedToChatter, "", "", a))
		}
	}
	return entries
}

// Forget drops alarms that were over and known before a time, and returns
// their ids.
func (b *Book) Forget(before time.Time) []ID {
	var gone []ID
	for _, id := range b.ids() {
		a := b.alarms[id]
		if a.State == Normal && a.Shelf == nil && a.Raised.Before(before) && a.Cleared.Before(before) {
			gone = append(gone, id)
			delete(b.alarms, id)
			delete(b.comes, id)
			if b.latest[sourceOf(a)] == a {
				delete(b.latest, sourceOf(a))
			}
		}
	}
	return gone
}

// All returns every alarm of the book, those that were raised last first.
func (b *Book) All() []Alarm {
	all := make([]Alarm, 0, len(b.alarms))
	for _, a := range b.alarms {
		all = append(all, copied(a))
	}
	slices.SortFunc(all, func(x, y Alarm) int {
		return cmp.Or(y.Raised.Compare(x.Raised), cmp.Compare(x.ID, y.ID))
	})
	return all
}

// Find returns one alarm.
func (b *Book) Find(id ID) (Alarm, bool) {
	a := b.alarms[id]
	if a == nil {
		return Alarm{}, false
	}
	return copied(a), true
}

// Out returns why a fan is out of service, if it is.
func (b *Book) Out(fan reading.FanID) (Act, bool) {
	act, is := b.out[fan]
	return act, is
}

// Told notes that people were told of an alarm by a way out, or that it is over,
// and returns the alarm as it is then.
func (b *Book) Told(id ID, way string, over bool) (Alarm, bool) {
	a := b.alarms[id]
	if a == nil {
		return Alarm{}, false
	}
	told := slices.DeleteFunc(slices.Clone(a.Told), func(other string) bool { return other == way })
	if !over {
		told = append(told, way)
	}
	a.Told = told
	return copied(a), true
}

func (b *Book) find(id ID, who string) (*Alarm, error) {
	switch a := b.alarms[id]; {
	case a == nil:
		return nil, ErrUnknown
	case who == "":
		return nil, ErrWho
	default:
		return a, nil
	}
}

func (b *Book) ids() []ID {
	ids := make([]ID, 0, len(b.alarms))
	for id := range b.alarms {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	return ids
}

// entry writes down what happened with the alarm as it is now.
func (b *Book) entry(now time.Time, what What, who, why string, a *Alarm) Entry {
	kept := copied(a)
	return Entry{Time: now, What: what, Who: who, Why: why, Alarm: &kept}
}

// copied returns an alarm that shares nothing that changes.
func copied(a *Alarm) Alarm {
	c := *a
	if a.Acknowledgement != nil {
		act := *a.Acknowledgement
		c.Acknowledgement = &act
	}
	if a.Shelf != nil {
		shelf := *a.Shelf
		c.Shelf = &shelf
	}
	return c
}

// idOf names a new alarm by what it is of and when it was raised.
func idOf(t *condition.Transition) ID {
	of := string(t.Fan)
	if of == "" {
		of = string(t.Gateway)
	}
	return ID(string(t.Condition) + "-" + of + "-" + t.Time.UTC().Format("20060102T150405.000Z"))
}
