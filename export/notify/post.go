package notify

import (
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/rules/alarm"
	"fanwarden/rules/journal"
)

// Post decides who is told what. It is not safe for use by several goroutines
// at once.
type Post struct {
	in     *directory
	floods map[string]*flood // by way
}

// Figures of the post. (Engineering choices, but for the flood: it begins with
// more than 10 in 10 minutes and ends with fewer than 5, ISA-18.2-2016, table 7.)
const (
	gather      = 10 * time.Second // what comes within it is told together
	floodBegins = 10
	floodEnds   = 5
	floodTime   = 10 * time.Minute
	digestEvery = 2 * time.Minute // of a flood
	mostListed  = 100             // alarms of one message
)

// NewPost returns the post of a fleet.
func NewPost(fleet *config.Fleet) *Post {
	return &Post{in: newDirectory(fleet), floods: make(map[string]*flood)}
}

// SetFleet takes a new fleet file.
func (p *Post) SetFleet(fleet *config.Fleet) { p.in = newDirectory(fleet) }

// Ways returns the ways out of the fleet file.
func (p *Post) Ways() []*config.Way { return p.in.fleet.Notify.Ways }

// Way returns a way out by its id; nil where the fleet file has none.
func (p *Post) Way(id string) *config.Way {
	for _, w := range p.Ways() {
		if w.ID == id {
			return w
		}
	}
	return nil
}

// Drafts returns what the entries of one moment call for: a draft for each
// alarm and each way that is to tell it.
func (p *Post) Drafts(entries []alarm.Entry) []journal.Message {
	chatters := make(map[alarm.ID]bool)
	for i := range entries {
		if entries[i].What == alarm.BeganToChatter {
			chatters[entries[i].Alarm.ID] = true
		}
	}
	var drafts []journal.Message
	for i := range entries {
		e := &entries[i]
		if e.Alarm == nil || chatters[e.Alarm.ID] && e.What != alarm.BeganToChatter {
			continue
		}
		if what := news(e); what != "" {
			drafts = append(drafts, p.address(e, what)...)
		}
	}
	return drafts
}

// Resume takes up a message of an earlier process. Whatever the clock was set to in
// between, and is from now on, it waits for no longer than it was to: a draft until
// what belongs to it has gathered, others as long as a receiver may ask for.
func Resume(m *journal.Message, now time.Time) {
	most := longestAsked
	if m.Draft != nil {
		most = gather
	}
	m.Next = now.Add(min(max(m.Next.Sub(now), 0), most)) // now has a clock that nobody sets
}

// Untold returns drafts for alarms that ask for somebody and were told by none of
// the ways that the fleet file has now, or were lost on a way that it no longer
// has. What a way has told, or waits on it as a draft, it is not given again.
func (p *Post) Untold(all []alarm.Alarm, lost map[alarm.ID]bool, waits func(way string, id alarm.ID) bool, now time.Time) []journal.Message {
	var drafts []journal.Message
	for i := range all {
		a := &all[i]
		gone := a.Fan != "" && p.in.fans[a.Fan] == nil
		told := slices.ContainsFunc(p.Ways(), func(w *config.Way) bool { return slices.Contains(a.Told, w.ID) || waits(w.ID, a.ID) })
		if a.State != alarm.Unacknowledged || a.Quiet() || gone || told && !lost[a.ID] {
			continue
		}
		for _, m := range p.address(&alarm.Entry{Time: now, What: alarm.WasRaised, Alarm: a}, alarm.WasRaised) {
			if !slices.Contains(a.Told, m.Way) && !waits(m.Way, a.ID) {
				drafts = append(drafts, m)
			}
		}
	}
	return drafts
}

// news is what an entry calls for: that an alarm was raised, that it is over,
// that it comes and goes, or nothing.
func news(e *alarm.Entry) alarm.What {
	a := e.Alarm
	switch e.What {
	case alarm.WasRaised, alarm.WasRaisedAgain, alarm.WasUrged:
		if !a.Quiet() && (!a.Chattering || e.What == alarm.WasUrged) {
			return alarm.WasRaised
		}
	case alarm.ShelfEnded, alarm.WasUnshelved, alarm.WasPutIntoService:
		if !a.Quiet() && a.State.Active() {
			return alarm.WasRaised
		}
	case alarm.BeganToChatter:
		if !a.Quiet() {
			return alarm.BeganToChatter
		}
	case alarm.WasCleared, alarm.WasSuppressed:
		if !a.Chattering {
			return alarm.WasCleared
		}
	case alarm.CeasedToChatter:
		if !a.State.Active() {
			return alarm.WasCleared
		}
	}
	return ""
}

// address makes a draft for each way that takes an alarm.
func (p *Post) address(e *alarm.Entry, what alarm.What) []journal.Message {
	var drafts []journal.Message
	for _, w := range p.in.fleet.Notify.Ways {
		switch {
		case what == alarm.WasCleared:
			if !w.Returned || !slices.Contains(e.Alarm.Told, w.ID) {
				continue
			}
		case !w.Takes(e.Alarm.Building, e.Alarm.Severity):
			continue
		}
		drafts = append(drafts, journal.Message{ID: w.ID + "/" + string(e.Alarm.ID) + "/" + string(what) + "/" + e.Time.UTC().Format(time.RFC3339Nano),
			Way: w.ID, Made: e.Time, Next: e.Time.Add(gather), Draft: &journal.Draft{Alarm: e.Alarm.ID, What: what}})
	}
	return drafts
}
