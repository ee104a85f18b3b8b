package alarm

import (
	"cmp"
	"slices"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Targets of an alarm system for one person (ISA-18.2-2016, table 7): about 6
// an hour are acceptable and 12 the most that can be managed; a flood begins
// with more than 10 in 10 minutes and ends with fewer than 5; an alarm that
// stands for more than a day is stale.
const (
	AcceptableAnHour = 6
	MostAnHour       = 12
	floodBegins      = 10
	floodEnds        = 5
	floodTime        = 10 * time.Minute
	staleAfter       = 24 * time.Hour
)

// Figures says how an alarm system does: for those who look after it.
type Figures struct {
	At       time.Time
	Standing [3]States // by severity
	Shelved  int
	Out      int // of fans that are out of service

	LastTenMinutes int
	LastHour       int
	LastDay        int
	Flood          bool // now
	Floods         int  // that began within the last week
	Chattering     int  // now
	Stale          int  // now
	Frequent       []Frequent
	Share          [3]float64 // of the last week, by severity; about 5 % pages are meant
	Raised         [3]uint64  // since the book was opened, by severity

	Acknowledged       int // within the last week
	AcknowledgedMedian time.Duration
	AcknowledgedP95    time.Duration
	Acknowledgements   uint64        // since the book was opened
	AcknowledgedSum    time.Duration // that they took together
}

// States counts alarms by state.
type States [4]int

// Frequent is a condition of a fan or gateway that was raised often.
type Frequent struct {
	Building  reading.BuildingID
	Gateway   reading.GatewayID
	Fan       reading.FanID
	Condition condition.Name
	Times     int
}

// How far back the figures look, how many raises they remember at the most,
// and how many conditions they list as the most frequent.
const (
	window       = 7 * 24 * time.Hour
	mostKept     = 20000
	MostFrequent = 10 // that are listed
)

// record is what the figures are made of.
type record struct {
	raised []raise
	known  []time.Duration // times to acknowledge of the last week, with when
	when   []time.Time
	flood  bool
	floods []time.Time

	// Since the book was opened.
	total  [3]uint64
	acts   uint64
	actSum time.Duration
}

type raise struct {
	at       time.Time
	severity condition.Severity
	building reading.BuildingID
	of       source
}

// note counts what somebody was told.
func (r *record) note(a *Alarm, now time.Time) {
	r.raised = append(r.raised, raise{now, a.Severity, a.Building, sourceOf(a)})
	r.trim(now)
	r.look(now)
}

// acknowledged counts how long it took somebody to say that they know, and
// returns it.
func (r *record) acknowledged(a *Alarm, now time.Time) time.Duration {
	after := max(now.Sub(a.Raised), 0)
	r.known, r.when = append(r.known, after), append(r.when, now)
	r.trim(now)
	return after
}

// FiguresSince is how far back entries are of use to Recount.
func FiguresSince(now time.Time) time.Time { return now.Add(-window) }

// Recount makes the figures of the last week out of what the journal has of it,
// the oldest first. It is for a book that was opened just now.
func (b *Book) Recount(entries []Entry) {
	for i := range entries {
		e := &entries[i]
		switch {
		case e.Alarm == nil:
		case e.What == WasAcknowledged:
			b.record.acknowledged(e.Alarm, e.Time)
		case !e.Alarm.Quiet() && (e.What == WasRaised || e.What == WasRaisedAgain || e.What == WasUrged):
			b.record.note(e.Alarm, e.Time)
		}
	}
}

// look notes whether there is a flood.
func (r *record) look(now time.Time) {
	n := r.since(now.Add(-floodTime))
	switch {
	case !r.flood && n > floodBegins:
		r.flood = true
		r.floods = append(r.floods, now)
	case r.flood && n < floodEnds:
		r.flood = false
	}
}

// since counts the raises after a time.
func (r *record) since(at time.Time) int {
	n := 0
	for i := len(r.raised) - 1; i >= 0 && r.raised[i].at.After(at); i-- {
		n++
	}
	return n
}

// trim drops what is older than the window, or too much.
func (r *record) trim(now time.Time) {
	old := now.Add(-window)
	drop := max(len(r.raised)-mostKept, 0)
	for drop < len(r.raised) && r.raised[drop].at.Before(old) {
		drop++
	}
	r.raised = slices.Delete(r.raised, 0, drop)
	drop = max(len(r.known)-mostKept, 0)
	for drop < len(r.when) && r.when[drop].Before(old) {
		drop++
	}
	r.known, r.when = slices.Delete(r.known, 0, drop), slices.Delete(r.when, 0, drop)
	r.floods = slices.DeleteFunc(r.floods, func(at time.Time) bool { return at.Before(old) })
}

// Figures returns the figures as of now.
func (b *Book) Figures(now time.Time) Figures {
	r := &b.record
	r.trim(now)
	r.look(now)
	f := Figures{At: now, LastTenMinutes: r.since(now.Add(-floodTime)), LastHour: r.since(now.Add(-time.Hour)),
		LastDay: r.since(now.Add(-24 * time.Hour)), Flood: r.flood, Floods: len(r.floods), Raised: r.total,
		Frequent: r.frequent(), Acknowledged: len(r.known), Acknowledgements: r.acts, AcknowledgedSum: r.actSum}
	for _, a := range b.alarms {
		f.Standing[a.Severity][a.State]++
		if a.Shelf != nil {
			f.Shelved++
		}
		if a.OutOfService {
			f.Out++
		}
		if a.Chattering {
			f.Chattering++
		}
		if a.State.Active() && now.Sub(a.Since) > staleAfter {
			f.Stale++
		}
	}
	for _, one := range r.raised {
		f.Share[one.severity] += 1 / float64(len(r.raised))
	}
	if known := slices.Sorted(slices.Values(r.known)); len(known) > 0 {
		f.AcknowledgedMedian = known[(len(known)-1)/2]
		f.AcknowledgedP95 = known[(len(known)-1)*95/100]
	}
	return f
}

// frequent lists what was raised most often within the window.
func (r *record) frequent() []Frequent {
	times := make(map[source]*Frequent)
	for _, one := range r.raised {
		of := times[one.of]
		if of == nil {
			of = &Frequent{one.building, one.of.gateway, one.of.fan, one.of.name, 0}
			times[one.of] = of
		}
		of.Times++
	}
	all := make([]Frequent, 0, len(times))
	for _, of := range times {
		all = append(all, *of)
	}
	slices.SortFunc(all, func(x, y Frequent) int {
		return cmp.Or(y.Times-x.Times, cmp.Compare(x.Fan, y.Fan), cmp.Compare(x.Gateway, y.Gateway), cmp.Compare(x.Condition, y.Condition))
	})
	return all[:min(len(all), MostFrequent)]
}
