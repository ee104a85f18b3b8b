package notify

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

var night = time.Date(2026, 1, 5, 6, 31, 10, 0, time.UTC)

// campus is a fleet of two buildings with two ways out: pages at once to a
// pager, everything to a desk by mail.
func campus() *config.Fleet {
	alder, birch := &config.Building{ID: "alder", Name: "Alder Hall"}, &config.Building{ID: "birch", Name: "Birch Hall"}
	roof := &config.Gateway{ID: "alder-roof", Building: alder}
	f := &config.Fleet{Name: "Harbor College", Location: time.FixedZone("CST", -6*3600), Units: units.Imperial,
		Web:       config.Web{URL: "https://fans.example.edu"},
		Buildings: []*config.Building{alder, birch}, Gateways: []*config.Gateway{roof},
		Notify: config.Notify{Runbooks: "https://wiki.example.edu/fans", Ways: []*config.Way{
			{ID: "pager", Webhook: "https://pager.example.edu/", Severities: []condition.Severity{condition.Page}, Returned: true},
			{ID: "desk", Mail: &config.Mail{Server: "mail.example.edu:587", From: "fanwarden@example.edu", To: []string{"desk@example.edu"}},
				Severities: []condition.Severity{condition.Page, condition.Ticket}, Buildings: []reading.BuildingID{"alder"}, Returned: true}}}}
	for n := range 40 {
		f.Fans = append(f.Fans, &config.Fan{ID: reading.FanID(fmt.Sprintf("alder-ef%d", n+1)), Name: fmt.Sprintf("Bath risers %d", n+1),
			Building: alder, Gateway: roof, Serves: "floors 1-9", Location: "Roof, north end"})
	}
	f.Fans[8].LifeSafety = true
	return f
}

// desk is what a post works with: alarms, drafts and what was told.
type desk struct {
	t      *testing.T
	post   *Post
	book   *alarm.Book
	drafts map[string]journal.Message
	now    time.Time
}

func newDesk(t *testing.T) *desk {
	return &desk{t: t, post: NewPost(campus()), book: alarm.NewBook(nil, nil), drafts: make(map[string]journal.Message), now: night}
}

func (d *desk) note(entries []alarm.Entry, err error) {
	d.t.Helper()
	if err != nil {
		d.t.Fatal(err)
	}
	for _, m := range d.post.Drafts(entries) {
		d.drafts[m.ID] = m
	}
}

// pinned is a finding as the rules make it.
var pinned = condition.Finding{
	Summary:  "at top speed (100 %) for 22 min, reading -0.05 inH2O against a setpoint of -0.12 inH2O",
	Evidence: []condition.Number{{Name: "pressure_pa", Value: -12.5}, {Name: "stood_s", Value: 1320}},
	Causes: []condition.Cause{
		{What: "a door, cap or access panel of the riser is open", Speaks: "its speed rose from 55 % to its top within 2 min", Check: "ask on the floors that it serves whether a door or panel was opened"},
		{What: "the filter or the wheel is clogged"},
	},
}

// unanswered is one of a controller that is silent.
var unanswered = condition.Finding{
	Summary:  "has not answered 5 polls in a row, for 25 s",
	Evidence: []condition.Number{{Name: "silent_s", Value: 25}},
	Causes:   []condition.Cause{{What: "the controller has no power", Check: "look whether the other controllers on its line answer"}, {What: "the line is cut between the two"}},
}

func (d *desk) change(fan string, name condition.Name, change condition.Change, severity condition.Severity, incident string) {
	d.t.Helper()
	t := condition.Transition{Time: d.now, Building: "alder", Gateway: "alder-roof", Fan: reading.FanID(fan), Condition: name, Change: change,
		Severity: severity, Incident: incident, Finding: pinned}
	if name == condition.ControllerSilent {
		t.Finding = unanswered
	}
	if change == condition.Cleared {
		t.Reason = condition.Recovered
	}
	d.note(d.book.Take(&t), nil)
}

func (d *desk) raise(fan string, severity condition.Severity) {
	d.t.Helper()
	d.change(fan, condition.PinnedAtMax, condition.Raised, severity, "")
}

func (d *desk) clear(fan string) {
	d.t.Helper()
	d.change(fan, condition.PinnedAtMax, condition.Cleared, condition.Page, "")
}

// later moves the clock on and returns what a way then sends.
func (d *desk) later(by time.Duration, way string) []Message {
	d.t.Helper()
	d.now = d.now.Add(by)
	w := d.post.Way(way)
	var mine []journal.Message
	for _, m := range d.drafts {
		if m.Way == way {
			mine = append(mine, m)
		}
	}
	c := d.post.Compose(w, mine, d.now, d.book.Find)
	for _, id := range c.Gone {
		delete(d.drafts, id)
	}
	for _, id := range c.Told {
		d.book.Told(id, way, false)
	}
	for _, id := range c.Over {
		d.book.Told(id, way, true)
	}
	return read(d.t, c.Messages)
}

func (d *desk) only() alarm.Alarm { return d.book.All()[0] }
