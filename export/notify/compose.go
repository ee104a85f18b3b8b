package notify

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// Composed is what becomes of the drafts of a way.
type Composed struct {
	Gone     []string          // drafts that are told, or not worth telling any more
	Messages []journal.Message // in words
	Told     []alarm.ID        // alarms that were told
	Over     []alarm.ID        // alarms that were told to be over
}

// item is a draft with the alarm as it is now.
type item struct {
	draft string
	alarm alarm.Alarm
	about About
}

// Compose puts the drafts of a way into words where they are due, and drops
// those that are not worth telling any more. While the way is not open they wait:
// its hours are those of now, also where a new fleet file has changed them.
func (p *Post) Compose(w *config.Way, drafts []journal.Message, now time.Time, find func(alarm.ID) (alarm.Alarm, bool)) Composed {
	var c Composed
	var items []item
	f := p.flood(w.ID)
	may := f.may(now) && w.Open(now.In(p.in.fleet.Location))
	for i := range drafts {
		m := &drafts[i]
		a, known := find(m.Draft.Alarm)
		kind := Kind("")
		if known {
			kind = worth(&a, m.Draft.What, w)
		}
		switch {
		case kind == "":
			c.Gone = append(c.Gone, m.ID)
		case may && !m.Next.After(now):
			items = append(items, item{m.ID, a, p.in.about(&a, kind)})
		}
	}
	if items = c.once(items); len(items) == 0 {
		return c
	}
	p.in.sort(items)
	groups := together(items)
	f.told(len(groups), now)
	if f.rises(now) {
		c.write(p.in, w, items, now, true)
		return c
	}
	for _, g := range groups {
		c.write(p.in, w, g, now, false)
	}
	return c
}

// worth is how a draft is to be told, "" where it is not any more: the alarm is
// over before anybody heard of it, is put aside or explained by another one, or
// somebody knows already.
func worth(a *alarm.Alarm, what alarm.What, w *config.Way) Kind {
	switch {
	case what == alarm.WasCleared && !a.State.Active() && slices.Contains(a.Told, w.ID):
		return Returned
	case what == alarm.BeganToChatter && a.Chattering && !a.Quiet():
		return Chattering
	case what == alarm.WasRaised && a.State == alarm.Unacknowledged && !a.Quiet():
		return Raised
	}
	return ""
}

// once leaves one item of each alarm, the last; the others are gone.
func (c *Composed) once(items []item) []item {
	last := make(map[alarm.ID]int)
	for i := range items {
		last[items[i].alarm.ID] = i
	}
	kept := items[:0]
	for i, one := range items {
		if last[one.alarm.ID] == i {
			kept = append(kept, one)
		} else {
			c.Gone = append(c.Gone, one.draft)
		}
	}
	return kept
}

// together groups items that belong together: those of an incident, and those
// behind one gateway.
func together(items []item) [][]item {
	type key struct {
		incident string
		gateway  reading.GatewayID
	}
	var groups [][]item
	at := make(map[key]int)
	for _, one := range items {
		k := key{incident: one.alarm.Incident}
		if k.incident == "" {
			k.gateway = one.alarm.Gateway
		}
		i, known := at[k]
		if !known {
			i = len(groups)
			at[k], groups = i, append(groups, nil)
		}
		groups[i] = append(groups[i], one)
	}
	return groups
}

// write puts a group into words.
func (c *Composed) write(d *directory, w *config.Way, group []item, now time.Time, digest bool) {
	sum := sha256.New()
	severity := condition.Note
	m := Message{Time: now.UTC(), Site: d.fleet.Name, Kind: group[0].about.Change}
	for _, one := range group {
		fmt.Fprintln(sum, one.draft)
		c.Gone = append(c.Gone, one.draft)
		if one.about.Change == Returned {
			c.Over = append(c.Over, one.alarm.ID)
		} else {
			c.Told = append(c.Told, one.alarm.ID)
		}
		severity = max(severity, one.alarm.Severity)
		if len(m.Alarms) < mostListed {
			m.Alarms = append(m.Alarms, one.about)
		} else {
			m.More++
		}
	}
	m.ID, m.Severity = hex.EncodeToString(sum.Sum(nil)[:12]), severity.String()
	m.word(d, group, digest)
	body, err := json.Marshal(m)
	if err != nil { // no value of it can fail
		panic(err)
	}
	c.Messages = append(c.Messages, journal.Message{ID: w.ID + "/" + m.ID, Way: w.ID, Made: now, Next: now, Body: body, About: calls(group)})
}

// calls are the alarms that a message calls somebody for, nil where it also tells
// that one is over.
func calls(group []item) []alarm.ID {
	ids := make([]alarm.ID, len(group))
	for i := range group {
		if group[i].about.Change == Returned {
			return nil
		}
		ids[i] = group[i].alarm.ID
	}
	return ids
}

// Late reports whether a message that has waited for its receiver calls somebody
// for nothing any more: all of its alarms are known by now, put aside or explained.
// One that is over and that nobody knows of is still news.
func Late(m *journal.Message, find func(alarm.ID) (alarm.Alarm, bool)) bool {
	for _, id := range m.About {
		a, kept := find(id)
		if kept && !a.Quiet() && a.Acknowledgement == nil {
			return false
		}
	}
	return len(m.About) > 0
}

// sort puts what is new before what is over, the urgent first, causes before
// their consequences, life-safety fans before others, and fans in the order of the
// fleet file.
func (d *directory) sort(items []item) {
	slices.SortFunc(items, func(x, y item) int { // no two have the same id
		return cmp.Or(cmp.Compare(order(x.about.Change), order(y.about.Change)), cmp.Compare(y.alarm.Severity, x.alarm.Severity),
			cmp.Compare(d.rank[x.alarm.Condition], d.rank[y.alarm.Condition]), lifeSafetyFirst(&x.about, &y.about), x.alarm.Raised.Compare(y.alarm.Raised),
			cmp.Compare(d.place[x.alarm.Fan], d.place[y.alarm.Fan]), cmp.Compare(x.alarm.ID, y.alarm.ID))
	})
}

// lifeSafetyFirst compares for sorting.
func lifeSafetyFirst(x, y *About) int {
	switch {
	case x.LifeSafety == y.LifeSafety:
		return 0
	case x.LifeSafety:
		return -1
	}
	return 1
}

// order puts what is new before what is over.
func order(k Kind) int { return slices.Index([]Kind{Raised, Chattering, Returned}, k) }
