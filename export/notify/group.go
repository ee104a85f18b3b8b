package notify

import (
	"fmt"
	"strings"
	"time"

	"fanwarden/rules/condition"
)

// flood counts the messages that a way was given lately. While there are more
// than one person can take in, all that comes is told in one digest now and then.
type flood struct {
	times []time.Time
	on    bool
	last  time.Time // when something was told
}

func (p *Post) flood(way string) *flood {
	f := p.floods[way]
	if f == nil {
		f = &flood{}
		p.floods[way] = f
	}
	return f
}

// may reports whether something may be told now.
func (f *flood) may(now time.Time) bool { return !f.on || now.Sub(f.last) >= digestEvery }

// rises reports whether it is a flood.
func (f *flood) rises(now time.Time) bool {
	for len(f.times) > 0 && now.Sub(f.times[0]) > floodTime {
		f.times = f.times[1:]
	}
	switch lately := len(f.times); {
	case lately > floodBegins:
		f.on = true
	case lately < floodEnds:
		f.on = false
	}
	return f.on
}

// told counts messages, or what they would have been.
func (f *flood) told(messages int, now time.Time) {
	f.last = now
	for range messages {
		f.times = append(f.times, now)
	}
	if over := len(f.times) - 10*floodBegins; over > 0 {
		f.times = f.times[over:]
	}
}

// mostLines is how many alarms the text of a message names.
const mostLines = 20

// word gives a message its title and text.
func (m *Message) word(d *directory, group []item, digest bool) {
	first := &group[0].about
	m.Link = first.Link
	if len(group) == 1 {
		m.Title, m.Text = first.title(), first.text(d.fleet.Location)
		return
	}
	m.Kind = Together
	m.Title = groupTitle(group)
	if digest {
		m.Kind = Digest
		m.Title = digestTitle(group)
	}
	if m.Link = d.fleet.Web.URL; m.Link != "" {
		m.Link += "/"
	}
	m.Text = groupText(m, group, d.fleet.Location)
}

// groupTitle says where and what: how many, and of what kind the most urgent is.
func groupTitle(group []item) string {
	first := &group[0].about
	what := fault(first.Condition)
	if first.Change == Returned {
		what = first.ended() + what
	}
	n := 0
	for i := range group {
		if group[i].about.Condition == first.Condition && group[i].about.Change == first.Change {
			n++
		}
	}
	if n < len(group) {
		what += fmt.Sprintf(", and %d more", len(group)-n)
	}
	who := counted(n, "fan", "fans")
	if n == 1 || first.Fan == nil {
		who = first.of()
	}
	place := places(group) + ", " + who
	if room := lockScreen - len([]rune(what)) - 2; len([]rune(place)) > room {
		place = clip(places(group), max(room-len([]rune(who))-2, 8)) + ", " + clip(who, max(room-10, 8))
	}
	return place + ": " + what
}

// digestTitle says where, how many are new, and what the most urgent is.
func digestTitle(group []item) string {
	first := &group[0].about
	many, _, _ := strings.Cut(counts(group), ", ") // what is over is not for a locked screen
	what := many + ", first: " + fault(first.Condition)
	return clip(clip(places(group), max(lockScreen-len([]rune(what))-2, 8))+": "+what, lockScreen)
}

// places names the building, or the first of several.
func places(group []item) string {
	var names []string
	known := make(map[string]bool)
	for i := range group {
		if b := group[i].about.Building; !known[b.ID] {
			known[b.ID] = true
			names = append(names, b.String())
		}
	}
	if len(names) == 1 {
		return names[0]
	}
	return names[0] + " and " + counted(len(names)-1, "more building", "more buildings")
}

// counts says how many alarms of a group are new, and how many are over.
func counts(group []item) string {
	raised, urgent := 0, 0
	for i := range group {
		if group[i].about.Change != Returned {
			raised++
			if group[i].alarm.Severity == condition.Page {
				urgent++
			}
		}
	}
	var parts []string
	switch {
	case raised > 0 && urgent == raised:
		parts = append(parts, counted(raised, "new page", "new pages"))
	case urgent > 0:
		parts = append(parts, fmt.Sprintf("%d new with %s", raised, counted(urgent, "page", "pages")))
	case raised > 0:
		parts = append(parts, fmt.Sprintf("%d new", raised))
	}
	if over := len(group) - raised; over > 0 {
		parts = append(parts, fmt.Sprintf("%d over", over))
	}
	return strings.Join(parts, ", ")
}

// groupText lists the alarms of a message, and says of the most urgent what to
// look at first.
func groupText(m *Message, group []item, in *time.Location) string {
	var w lines
	w.add(m.Title)
	if m.Kind == Digest {
		w.add(fmt.Sprintf("Many alarms: %s. They come as one message every %d minutes until there are fewer.", counts(group), int(digestEvery.Minutes())))
	} else {
		w.add(sentence(counts(group)))
	}
	w.add("")
	for i := range group[:min(len(group), mostLines)] {
		a := &group[i].about
		line := "- " + a.Building.String() + ", " + a.of() + ": "
		switch a.Change {
		case Returned:
			line += a.ended() + fault(a.Condition)
		case Chattering:
			line += "comes and goes: " + a.Summary
		default:
			line += a.Summary
		}
		about := a.Severity + ", since " + clock(a.Raised.In(in), m.Time.In(in))
		if a.Raised.Sub(a.Since) > time.Minute { // it came before, or is more urgent now
			about += ", first " + clock(a.Since.In(in), m.Time.In(in))
		}
		if a.LifeSafety {
			about = "life safety, " + about
		}
		w.add(line + " (" + about + ")")
	}
	if more := len(group) - mostLines; more > 0 {
		w.add(fmt.Sprintf("- and %d more", more))
	}
	if first := &group[0].about; first.Change != Returned {
		w.add("")
		w.add("Look first at " + first.of() + ", " + first.Building.String() + ".")
		if n := gatewaysDown(group); n >= fewDown {
			w.add(shared(n))
		} else {
			w.some(first.why())
			if first.FirstCheck != "" {
				w.add("First check: " + sentence(first.FirstCheck))
			}
		}
		w.some(caution(standing(group)...))
	}
	w.add("")
	if m.Link != "" {
		w.add("Now: " + m.Link)
	}
	if run := group[0].about.Runbook; run != "" {
		w.add("What to do: " + run)
	}
	return w.String()
}

// fewDown is how many gateways that fall silent together hint at something
// that they share (engineering choice).
const fewDown = 3

// gatewaysDown counts the gateways of a group that do not answer, where that is
// the most urgent of it.
func gatewaysDown(group []item) int {
	n := 0
	for i := range group {
		if a := &group[i].about; a.Change == Raised && a.Condition == condition.GatewayDown {
			n++
		} else if i == 0 {
			return 0
		}
	}
	return n
}

// shared says what to look at where several gateways fell silent together: what
// each of them would be suspected of alone is then unlikely.
func shared(n int) string {
	return fmt.Sprintf("Most likely: something that they share, because %d gateways fell silent together: the network between them and this program "+
		"(a switch, a firewall, the machine's own link), or power. The fans go on by themselves meanwhile.\n"+
		"First check: From this program's machine, ping two of the gateways and something else on their network.", n)
}

// clock writes a time by the clock on the wall, with its day where that is not
// today.
func clock(at, now time.Time) string {
	if at.Format(time.DateOnly) == now.Format(time.DateOnly) {
		return at.Format("15:04")
	}
	return at.Format("Mon 2 Jan 15:04")
}

// standing are those of a group that are not over.
func standing(group []item) []*About {
	var all []*About
	for i := range group {
		if group[i].about.Change != Returned {
			all = append(all, &group[i].about)
		}
	}
	return all
}
