package web

import (
	"net/http"
	"slices"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
)

// spansAnswer is the answer of a fan's spans: when its conditions stood, as far
// as that lies over the time asked for, and what people did within it.
type spansAnswer struct {
	From  time.Time    `json:"from"`
	To    time.Time    `json:"to"`
	Spans []spanAnswer `json:"spans"` // the earliest first
	Acts  []doneAnswer `json:"acts"`  // likewise
}

// spanAnswer is one time that a condition stood. From and To may lie outside the
// time asked for.
type spanAnswer struct {
	Condition  string     `json:"condition"`
	Severity   string     `json:"severity"` // at its end
	Alarm      string     `json:"alarm"`
	From       time.Time  `json:"from"`
	To         *time.Time `json:"to"` // null: it stands
	Summary    string     `json:"summary"`
	Reason     string     `json:"reason,omitempty"`      // of its end
	SilencedBy string     `json:"silenced_by,omitempty"` // where the reason is silenced
}

// doneAnswer is what somebody did with a fan or one of its alarms.
type doneAnswer struct {
	Time      time.Time `json:"time"`
	What      string    `json:"what"`
	Who       string    `json:"who"`
	Why       string    `json:"why,omitempty"`
	Condition string    `json:"condition,omitempty"` // of the alarm
}

func (s *site) serveSpans(w http.ResponseWriter, r *http.Request) {
	snapshot := s.snapshot()
	if snapshot == nil {
		starting(w)
		return
	}
	q := asked(r, "from", "to")
	wanted := span{fan: reading.FanID(r.PathValue("id"))}
	q.between(&wanted, s.now())
	if q.refused(w) {
		return
	}
	c := newChronicle(wanted, s.desk.Alarms())
	if err := s.desk.JournalOf(wanted.fan, c.take); err != nil {
		unreadable(w, err)
		return
	}
	if c.nothing() && !s.find(r.Context(), snapshot, &wanted, string(wanted.fan)) {
		unknown(w, "fan", string(wanted.fan))
		return
	}
	answerJSON(w, http.StatusOK, c.finish())
}

// chronicle makes spans of the journal of a fan, which it reads from its end:
// what stands begins in the book of alarms, and what is over with its clearing.
// It reads on beyond the time asked for until it knows how each began.
type chronicle struct {
	answer spansAnswer
	open   map[alarm.ID]*spanAnswer // whose beginning is further back
	read   bool                     // anything
}

func newChronicle(of span, book []alarm.Alarm) *chronicle {
	c := &chronicle{answer: spansAnswer{From: utc(of.from), To: utc(of.to), Spans: []spanAnswer{}, Acts: []doneAnswer{}},
		open: make(map[alarm.ID]*spanAnswer)}
	for i := range book {
		if a := &book[i]; a.Fan == of.fan && a.State.Active() {
			c.open[a.ID] = describeSpan(a)
		}
	}
	return c
}

// describeSpan tells of the time that an alarm stands, or stood last, as far as
// it says so itself.
func describeSpan(a *alarm.Alarm) *spanAnswer {
	s := &spanAnswer{Condition: string(a.Condition), Severity: a.Severity.String(), Alarm: string(a.ID), From: utc(a.Raised), Summary: a.Summary}
	if !a.State.Active() {
		s.To, s.Reason, s.SilencedBy = known(a.Cleared), string(a.Reason), string(a.SuppressedBy)
	}
	return s
}

// take takes the next entry, each older than the one before, and reports whether
// more are wanted.
func (c *chronicle) take(e *alarm.Entry) (more bool) {
	c.read = true
	if a := e.Alarm; a != nil {
		c.stood(e.What, a)
	}
	within := !e.Time.Before(c.answer.From)
	if within && e.Time.Before(c.answer.To) {
		c.did(e)
	}
	return within || len(c.open) > 0
}

// did notes what somebody did. That a fan was taken out of service or put back
// stands in the journal once for the fan, and once more for each of its alarms.
func (c *chronicle) did(e *alarm.Entry) {
	done := doneAnswer{Time: utc(e.Time), What: string(e.What), Who: e.Who, Why: e.Why}
	if e.Alarm != nil {
		done.Condition = string(e.Alarm.Condition)
	}
	again := e.Alarm != nil && (e.What == alarm.WasTakenOut || e.What == alarm.WasPutIntoService)
	if e.Who != "" && !again {
		c.answer.Acts = append(c.answer.Acts, done)
	}
}

// stood learns from what happened to an alarm since when it stood. A raise that
// is no first one begins a span only where a clearing came before it: it may
// have become more urgent.
func (c *chronicle) stood(what alarm.What, a *alarm.Alarm) {
	later, open := c.open[a.ID]
	switch {
	case a.State.Active() && !open: // raised since the book was read
		later = describeSpan(a)
		c.open[a.ID] = later
		fallthrough
	case a.State.Active():
		if raised := utc(a.Raised); raised.Before(later.From) {
			later.From = raised
		}
		if what == alarm.WasRaised {
			c.begun(a.ID)
		}
	case what == alarm.WasCleared || what == alarm.WasSuppressed:
		if open && later.From.Before(utc(a.Cleared)) { // cleared since the book was read
			delete(c.open, a.ID)
		}
		c.begun(a.ID)
		if !a.Cleared.Before(c.answer.From) {
			c.open[a.ID] = describeSpan(a)
		}
	}
}

// begun closes a span whose beginning is found.
func (c *chronicle) begun(id alarm.ID) {
	if s := c.open[id]; s != nil && s.From.Before(c.answer.To) {
		c.answer.Spans = append(c.answer.Spans, *s)
	}
	delete(c.open, id)
}

func (c *chronicle) nothing() bool { return !c.read && len(c.open) == 0 }

// finish takes those whose beginning is forgotten as their alarms tell it, and
// puts everything in order.
func (c *chronicle) finish() spansAnswer {
	for id := range c.open {
		c.begun(id)
	}
	slices.SortFunc(c.answer.Spans, func(a, b spanAnswer) int { return a.From.Compare(b.From) })
	slices.Reverse(c.answer.Acts)
	return c.answer
}
