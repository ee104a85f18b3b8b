package daemon

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
)

// office is a desk with a clock and a log that tests can read, and one way out
// that tells everything.
type office struct {
	*desk
	t      *testing.T
	at     time.Time
	logged *observer.ObservedLogs
	pager  *config.Way
}

func openOffice(t *testing.T, dir string) *office {
	core, logged := observer.New(zap.InfoLevel)
	fleet := parsed(t, threeFans)
	pager := &config.Way{ID: "pager", Webhook: "http://127.0.0.1:1/", Returned: true,
		Severities: []condition.Severity{condition.Page, condition.Ticket, condition.Note}}
	fleet.Store.Dir, fleet.Notify.Ways = dir, []*config.Way{pager}
	o := &office{t: t, at: newYear, logged: logged, pager: pager}
	o.desk = newDesk(fleet, zap.New(core), func() time.Time { return o.at })
	t.Cleanup(o.close)
	return o
}

// ready returns what is to be sent a minute from now.
func (o *office) ready() []journal.Message { return o.Ready(o.pager, o.at.Add(time.Minute)) }

func (o *office) raise(fan reading.FanID) alarm.ID {
	o.t.Helper()
	o.take([]condition.Transition{{Time: o.at, Building: "alder", Gateway: "roof", Fan: fan, Condition: condition.PinnedAtMax,
		Change: condition.Raised, Severity: condition.Page, Finding: condition.Finding{Summary: "at top speed"}}})
	return o.Alarms()[0].ID
}

// told is what the journal says happened to a fan, the newest first, at most n.
func (o *office) told(fan reading.FanID, n int) string {
	o.t.Helper()
	var all []string
	err := o.JournalOf(fan, func(e *alarm.Entry) bool { all = append(all, string(e.What)); return len(all) < n })
	if err != nil {
		o.t.Error(err)
	}
	return strings.Join(all, ", ")
}

func (o *office) count(message string) int { return o.logged.FilterMessage(message).Len() }

const (
	cannotWrite = "alarms cannot be written: make room on the disk of [store] dir, or make it writable; nothing is lost while the daemon runs"
	writesAgain = "alarms are written again"
)

// What people did and what is still to be delivered outlives the daemon.
func TestADeskGoesOn(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	first := openOffice(t, dir)
	id := first.raise("ef1")
	if err := errors.Join(first.Acknowledge(id, "kim", "on my way"), first.TakeOut("ef9", "kim", "motor")); err != nil {
		t.Fatal(err)
	}
	first.raise("ef2")
	first.raise("ef3")
	first.close()

	second := openOffice(t, dir)
	a, found := second.Alarm(id)
	if !found || a.State != alarm.Acknowledged || a.Acknowledgement.Who != "kim" {
		t.Errorf("%+v", a)
	}
	due := second.ready() // the alarm that somebody knows of is told to nobody
	if len(due) != 1 || due[0].Way != "pager" || strings.Count(string(due[0].Body), `"change":"raised"`) != 2 {
		t.Errorf("to be delivered: %+v", due)
	}
	if out := second.Out(); len(out) != 1 || out["ef9"].Why != "motor" {
		t.Errorf("out of service: %v", out)
	}
	lines, err := second.Journal(10, nil)
	if err != nil || len(lines) != 5 || lines[0].What != alarm.WasRaised {
		t.Errorf("%v, %+v", err, lines)
	}
	if got := second.told("ef1", 9) + "; " + second.told("ef1", 1) + "; " + second.told("ef9", 9); got != "acknowledged, raised; acknowledged; taken out of service" {
		t.Errorf("of ef1 and ef9: %s", got)
	}
	second.close()
	third := openOffice(t, dir) // what is in words keeps its id
	if again := third.ready(); len(again) != 1 || again[0].ID != due[0].ID {
		t.Errorf("to be delivered: %+v", again)
	}
	third.Delivered(due[0].ID)
	third.close()
	second = openOffice(t, dir)
	if again := second.ready(); len(again) != 0 {
		t.Errorf("delivered and still there: %+v", again)
	}
	var copied bytes.Buffer
	if err := second.Backup(&copied); err != nil || copied.Len() == 0 {
		t.Error(err)
	}
}

// A store that cannot be written is told once and stops nothing; what came
// meanwhile is written when it is well.
func TestADeskWithoutItsDisk(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "store")
	if err := os.WriteFile(dir, nil, 0o600); err != nil { // a file is where the folder should be
		t.Fatal(err)
	}
	o := openOffice(t, dir)
	id := o.raise("ef1")
	if err := o.Acknowledge(id, "kim", ""); err != nil {
		t.Fatal(err)
	}
	if says := o.Unkept(); !strings.Contains(says, "lost if the daemon ends") {
		t.Errorf("what is not on disk says %q", says)
	}
	o.raise("ef2")
	if _, store := o.figures(); !store.Used || store.Up || store.Pending != 2 {
		t.Errorf("%+v", store)
	}
	for range 5 {
		o.at = o.at.Add(10 * time.Second)
		o.tick(o.at)
	}
	if n := o.count(cannotWrite); n != 1 {
		t.Errorf("told %d times", n)
	}
	told := o.ready()
	if len(told) != 1 {
		t.Error("the message waits for the disk")
	}
	if err := os.Remove(dir); err != nil {
		t.Fatal(err)
	}
	o.at = o.at.Add(time.Minute)
	o.tick(o.at)
	if _, store := o.figures(); !store.Up || o.count(writesAgain) != 1 || o.Unkept() != "" {
		t.Errorf("%+v, %q", store, o.Unkept())
	}
	o.close()
	again := openOffice(t, dir)
	if a, found := again.Alarm(id); !found || a.State != alarm.Acknowledged {
		t.Errorf("%v %+v", found, a)
	}
	again.at = o.at
	if due := again.ready(); len(due) != 1 || due[0].ID != told[0].ID || len(again.outbox) != 1 {
		t.Errorf("to be delivered: %+v", due)
	}
}

func TestADeskThatKeepsNothing(t *testing.T) {
	o := openOffice(t, "")
	id := o.raise("ef1")
	if lines, err := o.Journal(10, nil); err != nil || len(lines) != 1 {
		t.Errorf("%v, %+v", err, lines)
	}
	if err := o.Backup(&bytes.Buffer{}); !errors.Is(err, errNothingKept) {
		t.Error(err)
	}
	if err := o.Shelve(id, "kim", "", o.at.Add(time.Hour)); !errors.Is(err, alarm.ErrReason) {
		t.Error(err)
	}
	if _, store := o.figures(); store.Used {
		t.Errorf("%+v", store)
	}
}

// What comes from the shelf and what the past brings.
func TestThePastIsNoNews(t *testing.T) {
	o := openOffice(t, "")
	o.recall([]condition.Transition{{Time: o.at, Gateway: "roof", Fan: "ef1", Condition: condition.PinnedAtMax, Change: condition.Raised}})
	if len(o.Alarms()) != 1 || len(o.ready()) != 0 {
		t.Errorf("%+v, %+v", o.Alarms(), o.ready())
	}
}

// An alarm whose fan has left the fleet is over; one that the rules do not find
// again is over once they have had their time.
func TestAlarmsThatTheRulesDoNotKnow(t *testing.T) {
	o := openOffice(t, "")
	j := newJudge(parsed(t, threeFans), "test", o.log, o.desk, newYear)
	gone, orphan := o.raise("ef99"), o.raise("ef1")
	r := reading.Reading{Fan: "ef1", Gateway: "roof", Time: newYear}
	r.Set(reading.Pressure, -30)
	r.Set(reading.Speed, 0.5)
	j.engine.Observe(&r)
	states := func() [2]alarm.State {
		a, _ := o.Alarm(gone)
		b, _ := o.Alarm(orphan)
		return [2]alarm.State{a.State, b.State}
	}
	j.reconcile(newYear)
	if got := states(); got != [2]alarm.State{alarm.Normal, alarm.Unacknowledged} {
		t.Errorf("at once: %v", got)
	}
	j.reconcile(newYear.Add(orphaned - time.Minute))
	if got := states(); got[1] != alarm.Unacknowledged {
		t.Errorf("too soon: %v", got)
	}
	j.reconcile(newYear.Add(orphaned))
	if got := states(); got[1] != alarm.Returned {
		t.Errorf("after its time: %v", got)
	}
}

// withWay is a fleet like the office's, with one way out of another name.
func withWay(o *office, id string) (*config.Fleet, *config.Way) {
	fleet, way := parsed(o.t, threeFans), *o.pager
	way.ID, fleet.Notify.Ways = id, []*config.Way{&way}
	fleet.Store.Dir = o.dir
	return fleet, &way
}

// While its receiver is away, an alarm may be taken care of: then nobody is
// called for it any more. One that is only over is still told.
func TestNobodyIsCalledForWhatIsKnownMeanwhile(t *testing.T) {
	o := openOffice(t, filepath.Join(t.TempDir(), "store"))
	clear := func(fan reading.FanID) {
		o.take([]condition.Transition{{Time: o.at, Building: "alder", Gateway: "roof", Fan: fan, Condition: condition.PinnedAtMax,
			Change: condition.Cleared, Reason: condition.Recovered, Severity: condition.Page}})
	}
	id := o.raise("ef1")
	if n := len(o.ready()); n != 1 {
		t.Fatalf("%d messages", n)
	}
	if err := o.Acknowledge(id, "kim", "seen on the page"); err != nil {
		t.Fatal(err)
	}
	if late := o.ready(); len(late) != 0 {
		t.Errorf("called for what somebody knows: %s", late[0].Body)
	}
	o.at = o.at.Add(time.Minute)
	clear("ef1")
	if over := o.ready(); len(over) != 0 {
		t.Errorf("who has not heard of it hears that it is over: %s", over[0].Body)
	}

	o.raise("ef2")
	o.ready()
	clear("ef2")
	if all := o.ready(); len(all) != 2 {
		t.Errorf("what came and went unseen: %d messages", len(all))
	}
}

// Ways of a new fleet file tell what stands and what the old ones did not live to
// tell, also when the daemon starts with it; they tell it once.
func TestNewWaysTellWhatStands(t *testing.T) {
	o := openOffice(t, filepath.Join(t.TempDir(), "store"))
	o.raise("ef1")
	o.at = o.at.Add(time.Second)
	known := o.raise("ef2")
	o.ready() // in words, for a receiver that is away
	if err := o.Acknowledge(known, "kim", ""); err != nil {
		t.Fatal(err)
	}
	fleet, renamed := withWay(o, "pagers")
	for range 2 {
		o.setFleet(fleet)
	}
	told := o.Ready(renamed, o.at.Add(time.Minute))
	if len(told) != 1 || strings.Count(string(told[0].Body), `"change":"raised"`) != 1 || !strings.Contains(string(told[0].Body), `"ef1"`) {
		t.Errorf("%+v", told)
	}
	o.setFleet(fleet)
	if again := o.Ready(renamed, o.at.Add(2*time.Minute)); len(again) != 1 {
		t.Errorf("%d messages", len(again))
	}
	o.close()

	fleet, third := withWay(o, "third")
	next := newDesk(fleet, zap.NewNop(), func() time.Time { return o.at })
	t.Cleanup(next.close)
	if told := next.Ready(third, o.at.Add(time.Minute)); len(told) != 1 || !strings.Contains(string(told[0].Body), `"ef1"`) {
		t.Errorf("%+v", told)
	}
}

// What was lost with a way goes the new way also where another one has told it.
func TestWhatIsLostWithAWayIsTold(t *testing.T) {
	o := openOffice(t, filepath.Join(t.TempDir(), "store"))
	fleet, mail := withWay(o, "mail")
	fleet.Notify.Ways = append(fleet.Notify.Ways, o.pager)
	o.setFleet(fleet)
	o.raise("ef1")
	later := o.at.Add(time.Minute)
	for _, m := range o.Ready(mail, later) {
		o.Delivered(m.ID)
	}
	o.ready() // the pager's receiver is away
	fleet, renamed := withWay(o, "pagers")
	fleet.Notify.Ways = append(fleet.Notify.Ways, mail)
	o.setFleet(fleet)
	if told := o.Ready(renamed, later); len(told) != 1 {
		t.Errorf("%d messages by the new way", len(told))
	}
	if told := o.Ready(mail, later); len(told) != 0 {
		t.Errorf("%d more by the one that has told it", len(told))
	}
}

// What has failed so far is tried at once by the ways of a new fleet file.
func TestANewFleetFileIsTriedAtOnce(t *testing.T) {
	o := openOffice(t, filepath.Join(t.TempDir(), "store"))
	o.raise("ef1")
	m := o.ready()[0]
	m.Tries, m.Next = 9, o.at.Add(time.Hour)
	o.Again(m)
	if n := len(o.ready()); n != 0 {
		t.Fatalf("%d messages before their time", n)
	}
	fleet, mended := withWay(o, "pager")
	o.setFleet(fleet)
	if due := o.Ready(mended, o.at); len(due) != 1 || due[0].ID != m.ID || due[0].Tries != 9 {
		t.Errorf("%+v", due)
	}
}

// Two daemons that watch the same fans would tell everything twice.
func TestASecondDaemonDoesNotStart(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	openOffice(t, dir)
	fleet := parsed(t, threeFans)
	fleet.Store.Dir, fleet.Web.Listen = dir, "127.0.0.1:0"
	d, err := Start(Options{Fleet: fleet, Version: "test", Log: zap.NewNop()})
	if err == nil {
		d.Stop()
	}
	if !errors.Is(err, journal.ErrInUse) {
		t.Errorf("%v", err)
	}
}

// The journal is read from its end, with a store and without one.
func TestTheJournalBackwards(t *testing.T) {
	for name, dir := range map[string]string{"on disk": filepath.Join(t.TempDir(), "store"), "in memory": ""} {
		o := openOffice(t, dir)
		o.raise("ef1")
		o.raise("ef2")
		var fans []reading.FanID
		if err := o.JournalBack(func(e *alarm.Entry) bool { fans = append(fans, e.Of()); return len(fans) < 2 }); err != nil {
			t.Error(err)
		}
		if !slices.Equal(fans, []reading.FanID{"ef2", "ef1"}) {
			t.Errorf("%s: %v", name, fans)
		}
		if err := o.JournalBack(func(*alarm.Entry) bool { fans = nil; return false }); err != nil || fans != nil {
			t.Errorf("%s: one is enough: %v", name, err)
		}
	}
}

// Whoever shows the alarms copies them only when the revision has changed.
func TestTheRevisionFollowsTheBook(t *testing.T) {
	dir := t.TempDir()
	o := openOffice(t, dir)
	var id alarm.ID
	for _, step := range []struct {
		what string
		do   func() error
		new  bool
	}{
		{"raised", func() error { id = o.raise("alder-ef1"); return nil }, true},
		{"a tick", func() error { o.tick(o.at); return nil }, false},
		{"acknowledged", func() error { return o.Acknowledge(id, "kim", "") }, true},
		{"shelved", func() error { return o.Shelve(id, "kim", "belt", o.at.Add(time.Hour)) }, true},
		{"no longer shelved", func() error { o.at = o.at.Add(time.Hour); o.tick(o.at); return nil }, true},
		{"out of service", func() error { return o.TakeOut("alder-ef2", "kim", "motor") }, true},
		{"no such alarm", func() error { _ = o.Acknowledge("x", "kim", ""); return nil }, false},
	} {
		before := o.Revision()
		if err := step.do(); err != nil {
			t.Fatalf("%s: %v", step.what, err)
		}
		if (o.Revision() != before) != step.new {
			t.Errorf("%s: revision %d, before %d", step.what, o.Revision(), before)
		}
	}
}
