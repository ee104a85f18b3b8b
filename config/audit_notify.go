package config

import (
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// notify looks at the ways out: does what a fan raises reach anybody, and
// nobody else?
func (a *audit) notify() {
	ways := a.fleet.Notify.Ways
	for _, w := range ways {
		a.sealed(w)
	}
	if len(ways) == 0 {
		return // messages may leave by what scrapes the metrics
	}
	for _, severity := range []condition.Severity{condition.Page, condition.Ticket} {
		if deaf := a.unheard(severity); len(deaf) > 0 {
			where := "of " + strings.Join(deaf, ", ")
			if len(deaf) == len(a.fleet.Buildings) {
				where = "of any building"
			}
			a.warnings = append(a.warnings, Warning{File: a.fleet.Path, Line: ways[0].line,
				What:   fmt.Sprintf("no [[notify.ways]] takes a %s %s", severity, where),
				Remedy: "add it to the severities or the buildings of one, or let people look at the page"})
		}
	}
	a.closed()
}

// unheard lists the buildings of which no way takes a severity at any hour.
func (a *audit) unheard(severity condition.Severity) []string {
	var deaf []string
	for _, b := range a.fleet.Buildings {
		if len(a.waysOf(b.ID, severity)) == 0 {
			deaf = append(deaf, b.Name)
		}
	}
	return deaf
}

// closed looks for hours at which nobody is told of a page, because every way
// that takes it is closed then.
func (a *audit) closed() {
	type gap struct{ from, until time.Time }
	buildings := make(map[gap][]string)
	var gaps []gap // in the order of the file
	for _, b := range a.fleet.Buildings {
		from, until := longestClosed(a.waysOf(b.ID, condition.Page))
		if from.Equal(until) {
			continue
		}
		g := gap{from, until}
		if buildings[g] == nil {
			gaps = append(gaps, g)
		}
		buildings[g] = append(buildings[g], b.Name)
	}
	for _, g := range gaps {
		a.warnings = append(a.warnings, Warning{File: a.fleet.Path, Line: a.fleet.Notify.Ways[0].line,
			What: fmt.Sprintf("a page of %s from %s is told to nobody before %s: every way that takes it is closed",
				strings.Join(buildings[g], ", "), g.from.Format("Mon 15:04"), g.until.Format("Mon 15:04")),
			Remedy: "add a [[notify.ways]] that is open then, or leave out the hours of one"})
	}
}

// waysOf lists the ways that take a building's alarms of a severity.
func (a *audit) waysOf(b reading.BuildingID, severity condition.Severity) []*Way {
	return slices.DeleteFunc(slices.Clone(a.fleet.Notify.Ways), func(w *Way) bool { return !w.Takes(b, severity) })
}

// longestClosed returns the longest time of a week at which all of some ways are
// closed; from is until where there is none. Such a time can begin only where the
// hours of a way end, so nothing else is looked at. The week is one without a
// change of the clocks.
func longestClosed(ways []*Way) (from, until time.Time) {
	monday := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, w := range ways {
		for _, h := range w.Hours {
			for day := range 7 {
				begins := monday.AddDate(0, 0, day)
				if !h.Days[begins.Weekday()] {
					continue
				}
				if end := begins.Add(h.Until); opens(ways, end).Sub(end) > until.Sub(from) {
					from, until = end, opens(ways, end)
				}
			}
		}
	}
	return from, until
}

// opens is when the first of some ways is open.
func opens(ways []*Way, at time.Time) time.Time {
	first := ways[0].Opens(at)
	for _, w := range ways[1:] {
		if next := w.Opens(at); next.Before(first) {
			first = next
		}
	}
	return first
}

// Takes reports whether a building's alarms of a severity go a way.
func (w *Way) Takes(building reading.BuildingID, severity condition.Severity) bool {
	return slices.Contains(w.Severities, severity) && (len(w.Buildings) == 0 || slices.Contains(w.Buildings, building))
}

// sealed looks whether others can read what is sent to a webhook, or send it.
func (a *audit) sealed(w *Way) {
	u, err := url.Parse(w.Webhook)
	if w.Webhook == "" || err != nil {
		return
	}
	warn := func(what, remedy string) {
		a.warnings = append(a.warnings, Warning{File: a.fleet.Path, Line: w.line, What: fmt.Sprintf("way %q: %s", w.ID, what), Remedy: remedy})
	}
	if u.Scheme == "http" && !thisMachine(u.Hostname()) {
		warn("its webhook is called in the clear, so that others on the network can read and change what it says", "write an https url")
	}
	if w.Secret == nil {
		warn("its messages are not signed, so its receiver cannot tell them from somebody else's", "give secret_file")
	}
}

// Host is where a webhook goes; the rest of its url may be a secret.
func (w *Way) Host() string {
	u, err := url.Parse(w.Webhook)
	if err != nil {
		return ""
	}
	return u.Host
}
