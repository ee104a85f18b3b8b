package report

import (
	"cmp"
	"slices"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Condition is what stood of one condition of a fan or gateway within the month.
type Condition struct {
	Gateway   reading.GatewayID
	Fan       reading.FanID // "" for a gateway's own
	Condition condition.Name
	Severity  condition.Severity // the worst
	Times     int                // that it stood
	Stood     time.Duration      // in all, within the month
	Longest   time.Duration      // at once, within the month
	// Acknowledged counts how often somebody said within the month that they know,
	// and After is the mean time from the raise until then.
	Acknowledged int
	After        time.Duration
	Stands       bool // at the month's end, or now
	Known        bool // of what stands: somebody has said so
	// Last is what was said of it last.
	Last condition.Finding

	summed time.Duration // of the times until it was acknowledged
}

// Creeping is a fan whose load crept within the month, and what that rests on.
type Creeping struct {
	Fan    reading.FanID
	Since  time.Time // when it was raised
	Stands bool
	condition.Finding
}

// life is one alarm's part in the month, followed from entry to entry.
type life struct {
	alarm alarm.Alarm // as it was last within the month
	since time.Time   // since when it stands; zero where it does not
	known bool        // of what stands
	times int         // that it stood
	of    *Condition
}

// book follows the alarms of a building through its month.
type book struct {
	from, to time.Time
	lives    map[alarm.ID]*life
	found    map[source]*Condition
}

type source struct {
	gateway reading.GatewayID
	fan     reading.FanID
	name    condition.Name
}

// stood finds the conditions of the month. What stood when it began is known by
// the first that was entered of it since, or by its alarm where nothing was.
func (r *Report) stood(w *Wanted) {
	b := &book{from: r.From, to: r.To, lives: make(map[alarm.ID]*life), found: make(map[source]*Condition)}
	for i := range w.Journal {
		if e := &w.Journal[i]; e.Alarm != nil && e.Alarm.Building == w.Building.ID && !e.Time.Before(r.From) {
			b.take(e)
		}
	}
	for i := range w.Alarms {
		a := &w.Alarms[i]
		if b.lives[a.ID] == nil && a.Building == w.Building.ID && a.State.Active() {
			b.begin(a, a.Raised)
		}
	}
	for _, l := range b.lives {
		b.end(l, b.to)
		r.crept(l)
	}
	for _, c := range b.found {
		if c.Times == 0 {
			continue // it was over before the month began, or came after it
		}
		if c.Acknowledged > 0 {
			c.After = c.summed / time.Duration(c.Acknowledged)
		}
		r.Conditions = append(r.Conditions, *c)
	}
	slices.SortFunc(r.Conditions, func(x, y Condition) int {
		return cmp.Or(cmp.Compare(y.Severity, x.Severity), cmp.Compare(y.Stood, x.Stood), cmp.Compare(x.Condition, y.Condition),
			cmp.Compare(x.Fan, y.Fan), cmp.Compare(x.Gateway, y.Gateway))
	})
	slices.SortFunc(r.Creeping, func(x, y Creeping) int { return cmp.Or(x.Since.Compare(y.Since), cmp.Compare(x.Fan, y.Fan)) })
}

// take follows an alarm by one entry. An entry after the month tells only of
// what was before it.
func (b *book) take(e *alarm.Entry) {
	l := b.lives[e.Alarm.ID]
	if l == nil {
		l = b.begin(e.Alarm, b.stoodBefore(e))
	}
	if !e.Time.Before(b.to) {
		return
	}
	l.alarm = *e.Alarm
	l.of.Severity = max(l.of.Severity, e.Alarm.Severity)
	switch e.What {
	case alarm.WasRaised, alarm.WasRaisedAgain:
		b.end(l, e.Time)
		l.since, l.known = e.Time, false
	case alarm.WasUrged:
		l.known = false
	case alarm.WasCleared, alarm.WasSuppressed:
		b.end(l, e.Time)
	case alarm.WasAcknowledged:
		l.of.Acknowledged++
		l.of.summed += max(0, e.Time.Sub(e.Alarm.Raised))
		l.known = true
	}
	l.of.Last = e.Alarm.Finding
}

// stoodBefore returns since when an alarm stood before the first entry of it
// within the month; zero where it did not.
func (b *book) stoodBefore(e *alarm.Entry) time.Time {
	a := e.Alarm
	switch e.What {
	case alarm.WasRaised, alarm.WasRaisedAgain:
		return time.Time{}
	case alarm.WasUrged: // which is a new raise: it stood, and nobody knows since when
		return b.from
	case alarm.WasCleared, alarm.WasSuppressed:
		return a.Raised
	}
	if a.State.Active() {
		return a.Raised
	}
	return time.Time{}
}

// begin opens the life of an alarm that stood since a time, or stands from the
// entry that follows.
func (b *book) begin(a *alarm.Alarm, since time.Time) *life {
	of := source{a.Gateway, a.Fan, a.Condition}
	c := b.found[of]
	if c == nil {
		c = &Condition{Gateway: a.Gateway, Fan: a.Fan, Condition: a.Condition, Severity: a.Severity, Last: a.Finding}
		b.found[of] = c
	}
	l := &life{alarm: *a, since: since, of: c}
	l.known = a.Acknowledgement != nil && a.Acknowledgement.Time.Before(b.from)
	b.lives[a.ID] = l
	return l
}

// end counts what stood until a time, as far as it lies within the month.
func (b *book) end(l *life, at time.Time) {
	if l.since.IsZero() || !l.since.Before(b.to) {
		l.since = time.Time{}
		return
	}
	since := l.since
	if since.Before(b.from) {
		since = b.from
	}
	stood := max(0, at.Sub(since))
	l.times++
	l.of.Times++
	l.of.Stood += stood
	l.of.Longest = max(l.of.Longest, stood)
	if !at.Before(b.to) {
		l.of.Stands, l.of.Known = true, l.known
		return
	}
	l.since = time.Time{}
}

// crept notes the load of a fan that crept.
func (r *Report) crept(l *life) {
	if l.alarm.Condition != condition.CreepingLoad || l.times == 0 {
		return
	}
	r.Creeping = append(r.Creeping, Creeping{Fan: l.alarm.Fan, Since: l.alarm.Raised, Stands: !l.since.IsZero(), Finding: l.alarm.Finding})
}
