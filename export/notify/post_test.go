package notify

import (
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

var update = flag.Bool("update", false, "write the golden files anew")

func read(t *testing.T, all []journal.Message) []Message {
	t.Helper()
	messages := make([]Message, len(all))
	for i, m := range all {
		if err := json.Unmarshal(m.Body, &messages[i]); err != nil || m.Draft != nil {
			t.Fatalf("%v: %+v", err, m)
		}
	}
	return messages
}

// kinds are what messages say, in short.
func kinds(all []Message) string {
	var words []string
	for _, m := range all {
		words = append(words, string(m.Kind)+" "+m.Severity)
	}
	return strings.Join(words, ", ")
}

func (d *desk) want(by time.Duration, way, want string) []Message {
	d.t.Helper()
	got := d.later(by, way)
	if kinds(got) != want {
		d.t.Errorf("%s after %s: %q, want %q", way, d.now.Sub(night), kinds(got), want)
	}
	return got
}

func TestRoutes(t *testing.T) {
	d := newDesk(t)
	d.raise("alder-ef1", condition.Ticket)
	d.want(5*time.Second, "desk", "") // what comes within a moment is told together
	d.want(5*time.Second, "desk", "raised ticket")
	d.want(0, "pager", "")
	d.raise("alder-ef2", condition.Page)
	d.want(10*time.Second, "pager", "raised page")
	d.want(0, "desk", "raised page")
	d.raise("alder-ef3", condition.Note)
	d.want(time.Hour, "desk", "")
	d.clear("alder-ef1")
	d.clear("alder-ef2")
	d.clear("alder-ef3")
	d.want(10*time.Second, "pager", "returned page")
	d.want(0, "desk", "together page") // both are over
	if len(d.drafts) != 0 {
		t.Errorf("left over: %v", d.drafts)
	}
}

func TestOtherBuildingsGoOtherWays(t *testing.T) {
	d := newDesk(t)
	d.note(d.book.Take(&condition.Transition{Time: d.now, Building: "birch", Gateway: "birch-roof", Condition: condition.GatewayDown,
		Change: condition.Raised, Severity: condition.Page, Finding: condition.Finding{Summary: "has not answered for 70 s"}}), nil)
	d.want(time.Minute, "desk", "")
	got := d.want(0, "pager", "raised page")
	if want := "Birch Hall, gateway birch-roof: gateway does not answer"; got[0].Title != want {
		t.Errorf("title %q, want %q", got[0].Title, want)
	}
}

// What is put aside, explained or known before it was told is told to nobody,
// and so is that it is over.
func TestWhatNobodyNeedsToHear(t *testing.T) {
	for name, act := range map[string]func(d *desk){
		"over in a moment": func(d *desk) { d.clear("alder-ef1") },
		"known":            func(d *desk) { d.note(d.book.Acknowledge(d.only().ID, "kim", "", d.now)) },
		"shelved": func(d *desk) {
			d.note(d.book.Shelve(d.only().ID, "kim", "a door is being mended", d.now.Add(time.Hour), d.now))
		},
		"out of service": func(d *desk) { d.note(d.book.TakeOut("alder-ef1", "kim", "motor", d.now)) },
		"explained": func(d *desk) {
			d.note(d.book.Take(&condition.Transition{Time: d.now, Building: "alder", Gateway: "alder-roof", Fan: "alder-ef1", Condition: condition.PinnedAtMax,
				Change: condition.Cleared, Reason: condition.Silenced, SilencedBy: condition.InvertedSign}), nil)
		},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			d.raise("alder-ef1", condition.Page)
			d.now = d.now.Add(2 * time.Second)
			act(d)
			d.want(time.Minute, "pager", "")
			if d.only().State.Active() {
				d.clear("alder-ef1")
			}
			d.want(time.Minute, "pager", "")
		})
	}
}

// Those who were told of an alarm are told that another one explains it.
func TestWhatIsExplainedLaterIsOver(t *testing.T) {
	d := newDesk(t)
	d.raise("alder-ef1", condition.Page)
	d.want(time.Minute, "pager", "raised page")
	d.note(d.book.Take(&condition.Transition{Time: d.now, Building: "alder", Gateway: "alder-roof", Fan: "alder-ef1", Condition: condition.PinnedAtMax,
		Change: condition.Cleared, Reason: condition.Silenced, SilencedBy: condition.InvertedSign}), nil)
	got := d.want(time.Minute, "pager", "returned page")
	if !strings.Contains(got[0].Text, "Explained by another alarm since Mon 5 Jan 00:32 CST: pressure has the wrong sign.") {
		t.Errorf("%s", got[0].Text)
	}
}

func TestWhatComesFromTheShelfIsNews(t *testing.T) {
	d := newDesk(t)
	d.raise("alder-ef1", condition.Page)
	d.want(time.Minute, "pager", "raised page")
	d.note(d.book.Shelve(d.only().ID, "kim", "a part is on its way", d.now.Add(time.Hour), d.now))
	d.want(30*time.Minute, "pager", "")
	d.now = d.now.Add(31 * time.Minute)
	d.note(d.book.Tick(d.now), nil)
	d.want(10*time.Second, "pager", "raised page")
}

// An alarm that comes and goes is told as such once, and once more when it is
// quiet and over.
func TestChattering(t *testing.T) {
	d := newDesk(t)
	want := []string{"raised page", "raised page", "chattering page", ""}
	for i, raised := range want {
		d.raise("alder-ef1", condition.Page)
		d.want(time.Minute, "pager", raised)
		d.clear("alder-ef1")
		over := "returned page"
		if i > 1 {
			over = ""
		}
		d.want(time.Minute, "pager", over)
	}
	for range 32 {
		d.now = d.now.Add(time.Minute)
		d.note(d.book.Tick(d.now), nil)
	}
	d.want(time.Minute, "pager", "returned page")
}

func TestAWayThatIsNotOpenTellsLater(t *testing.T) {
	d := newDesk(t)
	pager := d.post.Way("pager")
	at := night.In(d.post.in.fleet.Location) // Monday, 00:31
	for day := time.Monday; day <= time.Friday; day++ {
		pager.Hours = append(pager.Hours, weekdayHours(day, 7*time.Hour, 19*time.Hour))
	}
	d.raise("alder-ef1", condition.Page)
	d.raise("alder-ef2", condition.Page)
	d.raise("alder-ef3", condition.Page)
	d.want(time.Hour, "pager", "")
	d.clear("alder-ef2") // over before anybody heard of it
	for _, a := range d.book.All() {
		if a.Fan == "alder-ef3" {
			d.note(d.book.Acknowledge(a.ID, "kim", "", d.now))
		}
	}
	morning := time.Date(2026, 1, 5, 7, 0, 0, 0, at.Location())
	d.want(morning.Sub(d.now)-time.Second, "pager", "")
	got := d.want(time.Second, "pager", "raised page")
	if len(got) == 1 && got[0].Alarms[0].Fan.ID != "alder-ef1" {
		t.Errorf("%+v", got[0])
	}
}

// A new fleet file's hours count at once, for what waits too.
func TestNewHoursCountAtOnce(t *testing.T) {
	d := newDesk(t)
	d.raise("alder-ef1", condition.Page)
	closed, open := campus(), campus()
	closed.Notify.Ways[0].Hours = []config.Hours{weekdayHours(time.Friday, 7*time.Hour, 19*time.Hour)}
	d.post.SetFleet(closed)
	d.want(time.Hour, "pager", "")
	d.raise("alder-ef2", condition.Page)
	d.want(time.Hour, "pager", "")
	d.post.SetFleet(open)
	d.want(time.Second, "pager", "together page")
}

func TestFortyFansBehindOneGatewayAreOneMessage(t *testing.T) {
	d := newDesk(t)
	for _, f := range d.post.in.fleet.Fans {
		d.change(string(f.ID), condition.ControllerSilent, condition.Raised, condition.Page, "")
	}
	got := d.want(10*time.Second, "pager", "together page")
	if len(got[0].Alarms) != 40 || got[0].Title != "Alder Hall, 40 fans: controller does not answer" {
		t.Errorf("%d alarms, %q", len(got[0].Alarms), got[0].Title)
	}
	golden(t, "forty.txt", got[0].Text)
}

// A flood begins above ten in ten minutes and ends below five (ISA-18.2-2016,
// table 7).
func TestAFloodIsADigestNowAndThen(t *testing.T) {
	d := newDesk(t)
	for n := range 11 {
		d.raise(string(d.post.in.fleet.Fans[n].ID), condition.Page)
		d.want(15*time.Second, "pager", "raised page")
	}
	for n := 11; n < 15; n++ {
		d.raise(string(d.post.in.fleet.Fans[n].ID), condition.Page)
		d.want(15*time.Second, "pager", "")
	}
	got := d.want(time.Minute, "pager", "digest page")
	if len(got[0].Alarms) != 4 {
		t.Errorf("%d alarms", len(got[0].Alarms))
	}
	golden(t, "digest.txt", got[0].Text)
	d.now = d.now.Add(20 * time.Minute)
	d.raise("alder-ef30", condition.Page)
	d.want(15*time.Second, "pager", "raised page")
}

func TestAnIncidentIsOneMessage(t *testing.T) {
	d := newDesk(t)
	d.change("", condition.LineSilent, condition.Raised, condition.Page, "power-1")
	d.change("alder-ef1", condition.ControllerFault, condition.Raised, condition.Page, "power-1")
	d.change("alder-ef2", condition.PinnedAtMax, condition.Raised, condition.Page, "")
	got := d.want(10*time.Second, "pager", "together page, raised page")
	if want := "Alder Hall, gateway alder-roof: no controller behind it answers, and 1 more"; got[0].Title != want {
		t.Errorf("title %q, want %q", got[0].Title, want)
	}
}

func TestTexts(t *testing.T) {
	d := newDesk(t)
	d.raise("alder-ef1", condition.Page)
	d.raise("alder-ef9", condition.Ticket)
	golden(t, "raised.txt", d.later(10*time.Second, "pager")[0].Text)
	text := ""
	for _, a := range d.book.All() {
		if a.Fan == "alder-ef9" {
			a.Causes = slices.Clone(a.Causes)
			a.Causes[0].Speaks = "" // nothing tells the causes apart
			about := d.post.in.about(&a, Raised)
			text = about.text(d.post.in.fleet.Location)
		}
	}
	golden(t, "life_safety.txt", text)
	d.clear("alder-ef1")
	golden(t, "returned.txt", d.later(time.Hour, "pager")[0].Text)
}

// A locked phone shows about 80 characters: they carry the place and the fault.
func TestALockedPhoneShowsPlaceAndFault(t *testing.T) {
	for _, def := range condition.Catalogue() {
		if faults[def.Name] == "" {
			t.Errorf("%s has no words", def.Name)
		}
		for _, names := range [][2]string{{"Alder Hall", "Bath risers 1-4"},
			{"The Building of the College of Letters, Sciences and Engineering", "Kitchen hoods and dishwashers of the lower refectory, east"},
			{"Ä", "ß"}} {
			for _, change := range []Kind{Raised, Returned, Chattering} {
				a := About{Change: change, Building: Place{"b", names[0]}, Fan: &Place{"f", names[1]}, Condition: def.Name}
				title := a.title()
				if n := utf8.RuneCountInString(title); n > lockScreen || !strings.HasSuffix(title, fault(def.Name)) ||
					!strings.HasPrefix(title, string([]rune(names[0])[:1])) {
					t.Errorf("%d characters: %q", n, title)
				}
			}
		}
	}
}

func weekdayHours(day time.Weekday, from, until time.Duration) config.Hours {
	h := config.Hours{From: from, Until: until}
	h.Days[day] = true
	return h
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	wanted := strings.Split(string(want), "\n")
	for i, line := range strings.Split(got, "\n") {
		if i >= len(wanted) || line != wanted[i] {
			t.Fatalf("%s, line %d: got %q, want %q", name, i+1, line, wanted[min(i, len(wanted)-1)])
		}
	}
}

// The id of a message depends on what it tells and on nothing else.
func TestAMessageKeepsItsID(t *testing.T) {
	ids := make(map[string]bool)
	for range 5 {
		d := newDesk(t)
		d.raise("alder-ef1", condition.Page)
		d.raise("alder-ef2", condition.Page)
		ids[d.later(10*time.Second, "pager")[0].ID] = true
	}
	if len(ids) != 1 {
		t.Errorf("ids %v", ids)
	}
}

// Where many gateways fall silent together, each by itself suspects something of
// its own; together they point at what they share. What came back a moment ago is
// told by when it last came.
func TestGatewaysThatFallSilentTogether(t *testing.T) {
	d := newDesk(t)
	change := func(gateway string, what condition.Change) {
		d.note(d.book.Take(&condition.Transition{Time: d.now, Building: "alder", Gateway: reading.GatewayID(gateway), Condition: condition.GatewayDown,
			Change: what, Reason: condition.Recovered, Severity: condition.Page, Incident: "power-1", Finding: condition.Finding{Summary: "has not answered for 60 s",
				Causes: []condition.Cause{{What: "another program holds its only connection", Speaks: "6 of 6 polls were refused", Check: "find out who else reads it"}}}}), nil)
	}
	change("roof-1", condition.Raised)
	change("roof-2", condition.Raised)
	few := d.want(10*time.Second, "pager", "together page")[0].Text
	if !strings.Contains(few, "First check: Find out who else reads it.") {
		t.Errorf("two of them:\n%s", few)
	}
	change("roof-1", condition.Cleared)
	change("roof-2", condition.Cleared)
	d.now = d.now.Add(5 * time.Minute)
	for _, gateway := range []string{"roof-1", "roof-2", "roof-3"} {
		change(gateway, condition.Raised)
	}
	many := d.want(10*time.Second, "pager", "together page")[0].Text
	for _, want := range []string{"because 3 gateways fell silent together", "ping two of the gateways", "since 00:36, first 00:31)", "since 00:36)"} {
		if !strings.Contains(many, want) {
			t.Errorf("no %q in\n%s", want, many)
		}
	}
	if strings.Contains(many, "only connection") {
		t.Errorf("each is still suspected alone:\n%s", many)
	}
}
