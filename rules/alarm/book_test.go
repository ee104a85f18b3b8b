package alarm

import (
	"errors"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

var midnight = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// desk is a book that keeps what it is told, as lines of the journal.
type desk struct {
	t   *testing.T
	b   *Book
	log []string
}

func newDesk(t *testing.T) *desk { return &desk{t: t, b: NewBook(nil, nil)} }

func (d *desk) keep(entries []Entry) {
	for _, e := range entries {
		line := e.Time.Sub(midnight).String() + " " + string(e.What)
		if e.Who != "" {
			line += " by " + e.Who
		}
		if e.Alarm != nil {
			line += ": " + e.Alarm.State.String()
		}
		d.log = append(d.log, line)
	}
}

func (d *desk) take(at time.Duration, change condition.Change, reason condition.Reason, severity condition.Severity) {
	d.keep(d.b.Take(&condition.Transition{Time: midnight.Add(at), Building: "alder", Gateway: "roof", Fan: "ef1",
		Condition: condition.PinnedAtMax, Change: change, Reason: reason, Severity: severity,
		Finding: condition.Finding{Summary: "at top speed"}}))
}

func (d *desk) raise(at time.Duration) { d.take(at, condition.Raised, "", condition.Ticket) }
func (d *desk) clear(at time.Duration) {
	d.take(at, condition.Cleared, condition.Recovered, condition.Ticket)
}

func (d *desk) only() Alarm {
	d.t.Helper()
	all := d.b.All()
	if len(all) != 1 {
		d.t.Fatalf("%d alarms", len(all))
	}
	return all[0]
}

func (d *desk) want(lines ...string) {
	d.t.Helper()
	if got, want := strings.Join(d.log, "\n"), strings.Join(lines, "\n"); got != want {
		d.t.Errorf("the journal has\n%s\nwant\n%s", got, want)
	}
}

// The four ways through the states of OPC 10000-9, section 5.8.
func TestLifeOfAnAlarm(t *testing.T) {
	t.Run("acknowledged, then cleared", func(t *testing.T) {
		d := newDesk(t)
		d.raise(0)
		d.keep(must(d.b.Acknowledge(d.only().ID, "kim", "on my way", midnight.Add(time.Minute))))
		d.clear(time.Hour)
		d.want("0s raised: unacknowledged", "1m0s acknowledged by kim: acknowledged", "1h0m0s cleared: normal")
		if a := d.only().Acknowledgement; a == nil || a.Who != "kim" || a.Why != "on my way" {
			t.Errorf("%+v", a)
		}
	})
	t.Run("cleared, then acknowledged", func(t *testing.T) {
		d := newDesk(t)
		d.raise(0)
		d.clear(time.Hour)
		d.keep(must(d.b.Acknowledge(d.only().ID, "kim", "", midnight.Add(2*time.Hour))))
		d.want("0s raised: unacknowledged", "1h0m0s cleared: returned", "2h0m0s acknowledged by kim: normal")
	})
	t.Run("returned, then raised again", func(t *testing.T) {
		d := newDesk(t)
		d.raise(0)
		d.clear(time.Hour)
		d.raise(30 * time.Hour)
		d.want("0s raised: unacknowledged", "1h0m0s cleared: returned", "30h0m0s raised again: unacknowledged")
		if a := d.only(); a.Times != 2 || !a.Since.Equal(midnight) || !a.Raised.Equal(midnight.Add(30*time.Hour)) {
			t.Errorf("%+v", a)
		}
	})
	t.Run("over and known, then raised anew", func(t *testing.T) {
		d := newDesk(t)
		d.raise(0)
		d.keep(must(d.b.Acknowledge(d.only().ID, "kim", "", midnight)))
		d.clear(time.Hour)
		d.raise(30 * time.Hour)
		if len(d.b.All()) != 2 {
			t.Errorf("%+v", d.b.All())
		}
	})
}

func must(entries []Entry, err error) []Entry {
	if err != nil {
		panic(err)
	}
	return entries
}

func TestWhatBecomesMoreUrgentWantsToBeKnownAgain(t *testing.T) {
	d := newDesk(t)
	d.take(0, condition.Raised, "", condition.Note)
	d.keep(must(d.b.Acknowledge(d.only().ID, "kim", "", midnight)))
	d.take(time.Hour, condition.Cleared, condition.Superseded, condition.Note)
	d.take(time.Hour, condition.Raised, "", condition.Page)
	d.want("0s raised: unacknowledged", "0s acknowledged by kim: acknowledged", "1h0m0s became more urgent: unacknowledged")
	if a := d.only(); a.Severity != condition.Page || a.Acknowledgement != nil {
		t.Errorf("%+v", a)
	}
}

func TestWhatItsCauseExplainsIsSuppressed(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	d.keep(d.b.Take(&condition.Transition{Time: midnight.Add(time.Hour), Gateway: "roof", Fan: "ef1", Condition: condition.PinnedAtMax,
		Change: condition.Cleared, Reason: condition.Silenced, SilencedBy: condition.InvertedSign}))
	if a := d.only(); a.SuppressedBy != condition.InvertedSign || !a.Quiet() {
		t.Errorf("%+v", a)
	}
	d.raise(65 * time.Minute)
	if a := d.only(); a.SuppressedBy != "" || a.State != Unacknowledged {
		t.Errorf("%+v", a)
	}
}

func TestWhatIsDisarmedIsOver(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	d.take(time.Hour, condition.Cleared, condition.Disarmed, condition.Ticket)
	d.want("0s raised: unacknowledged", "1h0m0s cleared: normal")
}

func TestShelf(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	id := d.only().ID
	for _, c := range []struct {
		who, why string
		until    time.Duration
		want     error
	}{{"kim", "", time.Hour, ErrReason}, {"", "belt ordered", time.Hour, ErrWho}, {"kim", "belt ordered", -time.Hour, ErrTime},
		{"kim", "belt ordered", 8 * 24 * time.Hour, ErrTime}} {
		if _, err := d.b.Shelve(id, c.who, c.why, midnight.Add(c.until), midnight); !errors.Is(err, c.want) {
			t.Errorf("%+v: %v", c, err)
		}
	}
	if _, err := d.b.Shelve("nothing", "kim", "x", midnight.Add(time.Hour), midnight); !errors.Is(err, ErrUnknown) {
		t.Error(err)
	}
	d.keep(must(d.b.Shelve(id, "kim", "belt ordered", midnight.Add(48*time.Hour), midnight)))
	if a := d.only(); !a.Quiet() || a.Shelf.Why != "belt ordered" {
		t.Errorf("%+v", a)
	}
	d.keep(d.b.Tick(midnight.Add(47 * time.Hour)))
	d.keep(d.b.Tick(midnight.Add(48 * time.Hour)))
	d.want("0s raised: unacknowledged", "0s shelved by kim: unacknowledged", "48h0m0s shelf ended: unacknowledged")
	d.keep(must(d.b.Shelve(id, "kim", "again", midnight.Add(72*time.Hour), midnight.Add(48*time.Hour))))
	d.keep(must(d.b.Unshelve(id, "lee", midnight.Add(50*time.Hour))))
	if a := d.only(); a.Shelf != nil || len(must(d.b.Unshelve(id, "lee", midnight))) != 0 {
		t.Errorf("%+v", a)
	}
}

func TestAShelfHoldsForWhatComesBack(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	id := d.only().ID
	d.keep(must(d.b.Acknowledge(id, "kim", "on my way", midnight.Add(time.Minute))))
	d.keep(must(d.b.Shelve(id, "kim", "belt ordered", midnight.Add(48*time.Hour), midnight.Add(2*time.Minute))))
	d.clear(time.Hour)     // known, so it is over
	d.raise(9 * time.Hour) // and comes back long after
	if a := d.only(); a.ID != id || !a.Quiet() || a.State != Unacknowledged {
		t.Errorf("%+v", a)
	}
	d.clear(10 * time.Hour)
	d.keep(must(d.b.Acknowledge(id, "kim", "", midnight.Add(11*time.Hour))))
	d.keep(d.b.Tick(midnight.Add(48 * time.Hour)))
	d.raise(50 * time.Hour)
	if all := d.b.All(); len(all) != 2 || all[0].Quiet() {
		t.Errorf("from the shelf on it is a new one: %+v", all)
	}
}

func TestAFanOutOfServiceIsQuiet(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	d.keep(must(d.b.TakeOut("ef1", "kim", "motor is being changed", midnight)))
	if !d.only().Quiet() {
		t.Error("its alarm is told")
	}
	d.clear(time.Hour)
	d.keep(must(d.b.Acknowledge(d.only().ID, "kim", "", midnight.Add(time.Hour))))
	d.raise(24 * time.Hour)
	if a := d.b.All()[0]; !a.OutOfService {
		t.Errorf("a new alarm of it is told: %+v", a)
	}
	d.keep(must(d.b.PutIn("ef1", "kim", midnight.Add(25*time.Hour))))
	if a := d.b.All()[0]; a.OutOfService {
		t.Errorf("%+v", a)
	}
	if _, out := d.b.Out("ef1"); out || len(must(d.b.PutIn("ef1", "kim", midnight))) != 0 {
		t.Error("it is put in twice")
	}
}

// Three times in half an hour chatter; it ends after half an hour of quiet.
func TestChattering(t *testing.T) {
	d := newDesk(t)
	for i := range 5 {
		d.raise(time.Duration(i) * 5 * time.Minute)
		d.clear(time.Duration(i)*5*time.Minute + time.Minute)
	}
	if a := d.only(); !a.Chattering || a.Times != 5 {
		t.Errorf("%+v", a)
	}
	d.keep(d.b.Tick(midnight.Add(50 * time.Minute)))
	if !d.only().Chattering {
		t.Error("it has ceased too soon")
	}
	d.keep(d.b.Tick(midnight.Add(51 * time.Minute)))
	if d.only().Chattering {
		t.Error("it has not ceased")
	}
	if n := strings.Count(strings.Join(d.log, "\n"), "began to chatter"); n != 1 {
		t.Errorf("told %d times", n)
	}
}

func TestWhatIsOverIsForgottenInTime(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	d.clear(time.Hour)
	if gone := d.b.Forget(midnight.Add(1000 * time.Hour)); len(gone) != 0 {
		t.Errorf("nobody knows of it yet, and it is gone: %v", gone)
	}
	id := d.only().ID
	d.keep(must(d.b.Acknowledge(id, "kim", "", midnight.Add(2*time.Hour))))
	if gone := d.b.Forget(midnight.Add(1000 * time.Hour)); len(gone) != 1 || gone[0] != id || len(d.b.All()) != 0 {
		t.Errorf("%v", gone)
	}
	if _, found := d.b.Find(id); found {
		t.Error("it is still there")
	}
}

// A book that is made of what was kept goes on as the one before it.
func TestABookGoesOn(t *testing.T) {
	d := newDesk(t)
	d.raise(0)
	d.keep(must(d.b.TakeOut("ef9", "kim", "gone", midnight)))
	d.b = NewBook(d.b.All(), map[reading.FanID]Act{"ef9": {Time: midnight, Who: "kim", Why: "gone"}})
	d.raise(time.Minute) // told again by rules that began anew: no news
	d.clear(time.Hour)
	d.want("0s raised: unacknowledged", "0s taken out of service by kim", "1h0m0s cleared: returned")
	if _, out := d.b.Out("ef9"); !out {
		t.Error("the fan is in service")
	}
}
