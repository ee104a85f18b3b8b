package notify

import (
	"math"
	"net/url"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Message is what one receiver is told at once.
type Message struct {
	ID       string    `json:"id"`   // the same at every attempt
	Kind     Kind      `json:"kind"` //
	Time     time.Time `json:"time"` // when it was put into words
	Site     string    `json:"site,omitempty"`
	Severity string    `json:"severity"` // the highest of its alarms
	Title    string    `json:"title"`    // place and fault, within the first 80 characters
	Text     string    `json:"text"`     // for people
	Link     string    `json:"link,omitempty"`
	Alarms   []About   `json:"alarms"`         // the first of them, the most urgent first
	More     int       `json:"more,omitempty"` // that are not listed
}

// Kind says what a message is about.
type Kind string

// The kinds.
const (
	Raised     Kind = "raised"     // one alarm
	Returned   Kind = "returned"   // the same, over
	Chattering Kind = "chattering" // one that comes and goes
	Together   Kind = "together"   // several that belong together
	Digest     Kind = "digest"     // all that came in a while of a flood
)

// About is what a message says of one alarm. Values are in base units, the
// summary is in the site's.
type About struct {
	ID         string             `json:"id"`
	Change     Kind               `json:"change"` // raised, returned or chattering
	Building   Place              `json:"building"`
	Gateway    string             `json:"gateway"`
	Fan        *Place             `json:"fan,omitempty"` // absent for a gateway's own
	Serves     string             `json:"serves,omitempty"`
	Location   string             `json:"location,omitempty"`
	LifeSafety bool               `json:"life_safety,omitempty"`
	Condition  condition.Name     `json:"condition"`
	Severity   string             `json:"severity"`
	State      string             `json:"state"`
	Incident   string             `json:"incident,omitempty"`
	Since      time.Time          `json:"since"`
	Raised     time.Time          `json:"raised"`
	Cleared    *time.Time         `json:"cleared,omitempty"`
	Reason     condition.Reason   `json:"reason,omitempty"`
	Suppressed condition.Name     `json:"suppressed_by,omitempty"` // the cause that explains it
	Summary    string             `json:"summary"`
	Evidence   map[string]float64 `json:"evidence,omitempty"`
	Causes     []condition.Cause  `json:"causes,omitempty"`
	FirstCheck string             `json:"first_check,omitempty"`
	Link       string             `json:"link,omitempty"`
	Runbook    string             `json:"runbook,omitempty"`
}

// Place is a building or a fan.
type Place struct {
	ID   string `json:"id"`
	Name string `json:"name,omitempty"`
}

// String is what people call it.
func (p Place) String() string {
	if p.Name != "" {
		return p.Name
	}
	return p.ID
}

// directory knows what the fleet file says of fans and buildings.
type directory struct {
	fleet     *config.Fleet
	fans      map[reading.FanID]*config.Fan
	buildings map[reading.BuildingID]*config.Building
	place     map[reading.FanID]int  // in the fleet file, from 1
	rank      map[condition.Name]int // in the catalogue: causes before their consequences
}

func newDirectory(fleet *config.Fleet) *directory {
	d := &directory{fleet, make(map[reading.FanID]*config.Fan), make(map[reading.BuildingID]*config.Building), make(map[reading.FanID]int),
		make(map[condition.Name]int)}
	for i, f := range fleet.Fans {
		d.fans[f.ID], d.place[f.ID] = f, i+1
	}
	for _, b := range fleet.Buildings {
		d.buildings[b.ID] = b
	}
	for i, def := range condition.Catalogue() {
		d.rank[def.Name] = i
	}
	return d
}

// about describes an alarm. A fan or building that is no longer in the fleet
// file goes by its id.
func (d *directory) about(a *alarm.Alarm, change Kind) About {
	about := About{ID: string(a.ID), Change: change, Building: Place{ID: string(a.Building)}, Gateway: string(a.Gateway), Condition: a.Condition,
		Severity: a.Severity.String(), State: a.State.String(), Incident: a.Incident, Since: a.Since.UTC(), Raised: a.Raised.UTC(), Reason: a.Reason,
		Suppressed: a.SuppressedBy, Summary: a.Summary, Causes: a.Causes}
	if !a.Cleared.IsZero() {
		cleared := a.Cleared.UTC()
		about.Cleared = &cleared
	}
	if b := d.buildings[a.Building]; b != nil {
		about.Building.Name = b.Name
	}
	if a.Fan != "" {
		about.Fan = &Place{ID: string(a.Fan)}
	}
	if f := d.fans[a.Fan]; f != nil && a.Fan != "" {
		about.Fan.Name, about.Serves, about.Location, about.LifeSafety = f.Name, f.Serves, f.Location, f.LifeSafety
	}
	if len(a.Evidence) > 0 {
		about.Evidence = make(map[string]float64, len(a.Evidence))
	}
	for _, n := range a.Evidence {
		if !math.IsNaN(n.Value) && !math.IsInf(n.Value, 0) { // JSON has none
			about.Evidence[n.Name] = n.Value
		}
	}
	for _, c := range a.Causes {
		if about.FirstCheck == "" {
			about.FirstCheck = c.Check
		}
	}
	about.Link, about.Runbook = d.link(a), d.runbook(a.Condition)
	return about
}

// link leads to the fan's own page, or for a gateway's own alarm to that of its
// building.
func (d *directory) link(a *alarm.Alarm) string {
	switch {
	case d.fleet.Web.URL == "":
		return ""
	case a.Fan == "":
		return d.fleet.Web.URL + "/buildings/" + url.PathEscape(string(a.Building))
	}
	return d.fleet.Web.URL + "/fans/" + url.PathEscape(string(a.Fan))
}

func (d *directory) runbook(name condition.Name) string {
	if d.fleet.Notify.Runbooks == "" {
		return ""
	}
	return d.fleet.Notify.Runbooks + "/" + string(name) + ".md"
}

// clip shortens a text to a number of characters.
func clip(text string, most int) string {
	runes := []rune(text)
	if len(runes) <= most {
		return text
	}
	return strings.TrimRight(string(runes[:most-1]), " ,") + "…"
}
