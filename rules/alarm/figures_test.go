package alarm

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func (d *desk) raiseOf(fan int, at time.Duration, severity condition.Severity) {
	d.keep(d.b.Take(&condition.Transition{Time: midnight.Add(at), Gateway: "roof", Fan: reading.FanID(fmt.Sprintf("ef%d", fan)),
		Condition: condition.PinnedAtMax, Change: condition.Raised, Severity: severity}))
}

// A flood begins above ten in ten minutes and ends below five (ISA-18.2-2016,
// table 7).
func TestAFloodBeginsAndEnds(t *testing.T) {
	d := newDesk(t)
	for i := range 10 {
		d.raiseOf(i, time.Duration(i)*time.Second, condition.Ticket)
	}
	if f := d.b.Figures(midnight.Add(time.Minute)); f.Flood || f.LastTenMinutes != 10 {
		t.Errorf("ten: %+v", f)
	}
	d.raiseOf(10, time.Minute, condition.Ticket)
	if f := d.b.Figures(midnight.Add(time.Minute)); !f.Flood || f.Floods != 1 || f.LastHour != 11 {
		t.Errorf("eleven: %+v", f)
	}
	for i := range 5 {
		d.raiseOf(20+i, 9*time.Minute, condition.Ticket)
	}
	if f := d.b.Figures(midnight.Add(12 * time.Minute)); !f.Flood || f.LastTenMinutes != 5 {
		t.Errorf("five are left: %+v", f)
	}
	if f := d.b.Figures(midnight.Add(20 * time.Minute)); f.Flood || f.Floods != 1 {
		t.Errorf("none is left: %+v", f)
	}
}

func TestFigures(t *testing.T) {
	d := newDesk(t)
	d.raiseOf(1, 0, condition.Page)
	d.raiseOf(2, time.Hour, condition.Ticket)
	for i := range 2 { // comes twice
		d.keep(d.b.Take(&condition.Transition{Time: midnight.Add(time.Duration(2+i) * time.Hour), Gateway: "roof", Fan: "ef2",
			Condition: condition.PinnedAtMax, Change: condition.Cleared, Reason: condition.Recovered}))
		d.raiseOf(2, time.Duration(2+i)*time.Hour+time.Minute, condition.Ticket)
	}
	for _, a := range d.b.All() {
		if a.Fan == "ef1" {
			d.keep(must(d.b.Acknowledge(a.ID, "kim", "", midnight.Add(10*time.Minute))))
		}
	}
	f := d.b.Figures(midnight.Add(25 * time.Hour))
	if f.Standing[condition.Page][Acknowledged] != 1 || f.Standing[condition.Ticket][Unacknowledged] != 1 || f.Stale != 1 {
		t.Errorf("standing %v, stale %d", f.Standing, f.Stale)
	}
	if len(f.Frequent) != 2 || f.Frequent[0].Fan != "ef2" || f.Frequent[0].Times != 3 {
		t.Errorf("most frequent %+v", f.Frequent)
	}
	if f.Acknowledged != 1 || f.AcknowledgedMedian != 10*time.Minute || f.Share[condition.Page] != 0.25 || f.Raised != [3]uint64{0, 3, 1} {
		t.Errorf("%+v", f)
	}
	if f = d.b.Figures(midnight.Add(9 * 24 * time.Hour)); f.Acknowledged != 0 || len(f.Frequent) != 0 || f.Raised[condition.Page] != 1 {
		t.Errorf("after the week: %+v", f)
	}
}

func TestWhatIsPutAsideIsNotCounted(t *testing.T) {
	d := newDesk(t)
	d.keep(must(d.b.TakeOut("ef1", "kim", "motor", midnight)))
	d.raiseOf(1, time.Minute, condition.Page)
	if f := d.b.Figures(midnight.Add(time.Hour)); f.LastHour != 0 || f.Out != 1 {
		t.Errorf("%+v", f)
	}
}

// What the journal kept of the last week counts after a restart; what counts up
// from the start of the process does not.
func TestFiguresOutliveTheBook(t *testing.T) {
	d := newDesk(t)
	var kept []Entry
	take := func(at time.Duration, change condition.Change) {
		kept = append(kept, d.b.Take(&condition.Transition{Time: midnight.Add(at), Building: "alder", Gateway: "roof", Fan: "ef1",
			Condition: condition.PinnedAtMax, Change: change, Reason: condition.Recovered, Severity: condition.Ticket})...)
	}
	for i := range 4 {
		take(time.Duration(2*i)*time.Hour, condition.Raised)
		kept = append(kept, must(d.b.Acknowledge(d.b.All()[0].ID, "kim", "", midnight.Add(time.Duration(2*i)*time.Hour+7*time.Minute)))...)
		take(time.Duration(2*i+1)*time.Hour, condition.Cleared)
	}
	now := midnight.Add(9 * time.Hour)
	before := d.b.Figures(now)
	next := NewBook(nil, nil)
	next.Recount(kept)
	after := next.Figures(now)
	if len(after.Frequent) != 1 || after.Frequent[0] != (Frequent{"alder", "roof", "ef1", condition.PinnedAtMax, 4}) || after.Frequent[0] != before.Frequent[0] {
		t.Errorf("most frequent %+v, was %+v", after.Frequent, before.Frequent)
	}
	if after.Acknowledged != 4 || after.AcknowledgedMedian != 7*time.Minute || after.LastDay != 4 || before.LastDay != 4 {
		t.Errorf("%+v", after)
	}
	if before.Acknowledgements != 4 || before.AcknowledgedSum != 28*time.Minute || after.Acknowledgements != 0 || after.Raised != [3]uint64{} {
		t.Errorf("counted from the start: %+v, was %+v", after, before)
	}
}
