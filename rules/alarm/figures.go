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
	ADayAnHour     float64 // mean of the last day
	Flood          bool    // now
	Floods         int     // that began within the last week
	Chattering     int     // now
	Stale          int     // now
	Frequent       []Frequent
	Share          [3]float64 // of the last week, by severity; about 5 % pages are meant
	Raised         [3]uint64  // since the book was opened, by severity

	Acknowledged       int // within the last week
	AcknowledgedMedian time.Duration
	AcknowledgedP95    time.Duration
}

// States counts alarms by state.
type States [4]int

// Frequent is a condition of a fan or gateway that was raised often.
type Frequent struct {
	Gateway   reading.GatewayID
	Fan       reading.FanID
	Condition condition.Name
	Times     int
}

// window is how far back the figures look, and most how many raises they
// remember at the most.
const (
	window   = 7 * 24 * time.Hour
	mostKept = 20000
	frequent = 10
)

// record is what the figures are made of.
type record struct {
	raised []raise
	known  []time.Duration // times to acknowledge of the last week, with when
	when   []time.Time
	total  [3]uint64
	flood  bool
	floods []time.Time
}

type raise struct {
	at       time.Time
	severity condition.Severity
	of       source
}

// note counts what somebody was told.
func (r *record) note(a *Alarm, now time.Time) {
	r.total[a.Severity]++
	r.raised = append(r.raised, raise{now, a.Severity, sourceOf(a)})
	r.trim(now)
	r.look(now)
}

// acknowledged counts how long it took somebody to say that they know.
func (r *record) acknowledged(after time.Duration, now time.Time) {
	r.known, r.when = append(r.known, after), append(r.when, now)
	r.trim(now)
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
		ADayAnHour: float64(r.since(now.Add(-24*time.Hour))) / 24, Flood: r.flood, Floods: len(r.floods), Raised: r.total,
		Frequent: r.frequent(), Acknowledged: len(r.known)}
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
	times := make(map[source]int)
	for _, one := range r.raised {
		times[one.of]++
	}
	all := make([]Frequent, 0, len(times))
	for of, n := range times {
		all = append(all, Frequent{of.gateway, of.fan, of.name, n})
	}
	slices.SortFunc(all, func(x, y Frequent) int {
		return cmp.Or(y.Times-x.Times, cmp.Compare(x.Fan, y.Fan), cmp.Compare(x.Gateway, y.Gateway), cmp.Compare(x.Condition, y.Condition))
	})
	return all[:min(len(all), frequent)]
}
