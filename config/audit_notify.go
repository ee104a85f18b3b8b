package config

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

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
}

// unheard lists the buildings of which no way takes a severity at any hour.
func (a *audit) unheard(severity condition.Severity) []string {
	var deaf []string
	for _, b := range a.fleet.Buildings {
		heard := slices.ContainsFunc(a.fleet.Notify.Ways, func(w *Way) bool { return w.Takes(b.ID, severity) })
		if !heard {
			deaf = append(deaf, b.Name)
		}
	}
	return deaf
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
