package report

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// desk keeps a real book of alarms and all that was entered.
type desk struct {
	t       rapid.TB
	book    *alarm.Book
	entries []alarm.Entry
}

func newDesk(t rapid.TB) *desk { return &desk{t: t, book: alarm.NewBook(nil, nil)} }

func (d *desk) take(at time.Time, fan reading.FanID, name condition.Name, change condition.Change, severity condition.Severity, reason condition.Reason) {
	gateway, building := reading.GatewayID("alder-roof"), reading.BuildingID("alder")
	if fan == "ef9" {
		gateway, building = "birch-roof", "birch"
	}
	d.entries = append(d.entries, d.book.Take(&condition.Transition{Time: at, Building: building, Gateway: gateway, Fan: fan, Condition: name,
		Change: change, Severity: severity, Reason: reason, Finding: condition.Finding{Summary: "Found at " + at.UTC().Format(time.DateTime)}})...)
}

func (d *desk) raise(at time.Time, fan reading.FanID, name condition.Name) {
	d.take(at, fan, name, condition.Raised, condition.Ticket, "")
}

func (d *desk) clear(at time.Time, fan reading.FanID, name condition.Name) {
	d.take(at, fan, name, condition.Cleared, condition.Ticket, condition.Recovered)
}

// acknowledge says that somebody knows of the alarm that was raised last.
func (d *desk) acknowledge(at time.Time) {
	d.t.Helper()
	entries, err := d.book.Acknowledge(d.book.All()[0].ID, "kim", "", at)
	if err != nil {
		d.t.Fatal(err)
	}
	d.entries = append(d.entries, entries...)
}

// since is the journal from a time on, as the store gives it.
func (d *desk) since(from time.Time) []alarm.Entry {
	return slices.DeleteFunc(slices.Clone(d.entries), func(e alarm.Entry) bool { return e.Time.Before(from) })
}

// wanted asks for January as of a time.
func (d *desk) wanted(now time.Time) Wanted {
	return Wanted{Now: now, Journal: d.since(begin), Alarms: d.book.All()}
}

// hour is an instant of January, by hours since it began.
func hour(h float64) time.Time { return begin.Add(time.Duration(h * float64(time.Hour))) }

func TestWhatStood(t *testing.T) {
	const h = time.Hour
	december, january, february := hour(-10), hour(100), hour(744+100)
	for name, c := range map[string]struct {
		happens func(*desk)
		now     time.Time
		want    Condition // but for names and the finding; Times 0: none
	}{
		"nothing": {func(*desk) {}, february, Condition{}},
		"once": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.clear(hour(103), "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 1, Stood: 3 * h, Longest: 3 * h}},
		"twice, known once": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.clear(hour(103), "ef1", condition.PinnedAtMax)
			d.raise(hour(200), "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(200.5))
			d.clear(hour(201), "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 2, Stood: 4 * h, Longest: 3 * h, Acknowledged: 1, After: h / 2}},
		"soon again, which is the same alarm": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(101))
			d.clear(hour(103), "ef1", condition.PinnedAtMax)
			d.raise(hour(103.1), "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(106.1))
			d.clear(hour(107.1), "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 2, Stood: 7 * h, Longest: 4 * h, Acknowledged: 2, After: 2 * h}},
		"since December": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.clear(hour(5), "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 1, Stood: 5 * h, Longest: 5 * h}},
		"since December, known only now": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(2))
			d.clear(hour(5), "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 1, Stood: 5 * h, Longest: 5 * h, Acknowledged: 1, After: 12 * h}},
		"until February": {func(d *desk) {
			d.raise(hour(740), "ef1", condition.PinnedAtMax)
			d.acknowledge(february)
			d.clear(february, "ef1", condition.PinnedAtMax)
		}, february, Condition{Times: 1, Stood: 4 * h, Longest: 4 * h, Stands: true}},
		"from December to February, entered once": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.clear(february, "ef1", condition.PinnedAtMax)
		}, february.Add(h), Condition{Times: 1, Stood: 744 * h, Longest: 744 * h, Stands: true}},
		"from December on, never entered": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(-9))
		}, february, Condition{Times: 1, Stood: 744 * h, Longest: 744 * h, Stands: true, Known: true}},
		"now": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(101))
		}, hour(106), Condition{Times: 1, Stood: 6 * h, Longest: 6 * h, Acknowledged: 1, After: h, Stands: true, Known: true}},
		"more urgent": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.acknowledge(hour(101))
			d.take(hour(104), "ef1", condition.PinnedAtMax, condition.Cleared, condition.Ticket, condition.Superseded)
			d.take(hour(104), "ef1", condition.PinnedAtMax, condition.Raised, condition.Page, "")
			d.clear(hour(110), "ef1", condition.PinnedAtMax)
		}, february, Condition{Severity: condition.Page, Times: 1, Stood: 10 * h, Longest: 10 * h, Acknowledged: 1, After: h}},
		"more urgent than in December": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.take(hour(4), "ef1", condition.PinnedAtMax, condition.Cleared, condition.Ticket, condition.Superseded)
			d.take(hour(4), "ef1", condition.PinnedAtMax, condition.Raised, condition.Page, "")
		}, hour(6), Condition{Severity: condition.Page, Times: 1, Stood: 6 * h, Longest: 6 * h, Stands: true}},
		"silenced by its cause": {func(d *desk) {
			d.raise(january, "ef1", condition.PinnedAtMax)
			d.take(hour(102), "ef1", condition.PinnedAtMax, condition.Cleared, condition.Ticket, condition.Silenced)
		}, february, Condition{Times: 1, Stood: 2 * h, Longest: 2 * h}},
		"on the shelf since December": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			entries, _ := d.book.Shelve(d.book.All()[0].ID, "kim", "belt", hour(50), hour(3))
			d.entries = append(d.entries, entries...)
		}, hour(40), Condition{Times: 1, Stood: 40 * h, Longest: 40 * h, Stands: true}},
		"over in December, known in January": {func(d *desk) {
			d.raise(december, "ef1", condition.PinnedAtMax)
			d.clear(hour(-5), "ef1", condition.PinnedAtMax)
			d.acknowledge(january)
		}, february, Condition{}},
		"in February": {func(d *desk) {
			d.raise(hour(750), "ef1", condition.PinnedAtMax)
			d.take(hour(751), "ef1", condition.PinnedAtMax, condition.Cleared, condition.Ticket, condition.Superseded)
			d.take(hour(751), "ef1", condition.PinnedAtMax, condition.Raised, condition.Page, "")
			d.acknowledge(hour(752))
		}, february, Condition{}},
		"in another building": {func(d *desk) { d.raise(january, "ef9", condition.PinnedAtMax) }, february, Condition{}},
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(t)
			c.happens(d)
			r := made(t, d.wanted(c.now), &paper{})
			if c.want.Times == 0 {
				if len(r.Conditions) != 0 || !r.Empty() {
					t.Fatalf("%+v", r.Conditions)
				}
				return
			}
			if len(r.Conditions) != 1 {
				t.Fatalf("%+v", r.Conditions)
			}
			got := r.Conditions[0]
			c.want.Gateway, c.want.Fan, c.want.Condition = "alder-roof", "ef1", condition.PinnedAtMax
			c.want.Severity = max(c.want.Severity, condition.Ticket)
			if got.Last.Summary == "" {
				t.Error("nothing is said of it")
			}
			got.Last, got.summed = condition.Finding{}, 0
			if !equal(got, c.want) {
				t.Errorf("\n got %+v\nwant %+v", got, c.want)
			}
		})
	}
}

func equal(a, b Condition) bool {
	return a.Gateway == b.Gateway && a.Fan == b.Fan && a.Condition == b.Condition && a.Severity == b.Severity && a.Times == b.Times &&
		a.Stood == b.Stood && a.Longest == b.Longest && a.Acknowledged == b.Acknowledged && a.After == b.After && a.Stands == b.Stands && a.Known == b.Known
}

// The worst and the longest come first; a gateway's own stand beside its fans'.
func TestTheOrderOfConditions(t *testing.T) {
	d := newDesk(t)
	d.take(hour(1), "ef1", condition.CreepingLoad, condition.Raised, condition.Note, "")
	d.raise(hour(2), "ef1", condition.Hunting)
	d.raise(hour(3), "", condition.GatewayDown)
	d.take(hour(4), "ef2", condition.StuckIdle, condition.Raised, condition.Page, "")
	var got []condition.Name
	for _, c := range made(t, d.wanted(hour(5)), &paper{}).Conditions {
		got = append(got, c.Condition)
	}
	if want := []condition.Name{condition.StuckIdle, condition.Hunting, condition.GatewayDown, condition.CreepingLoad}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

func TestWhoseLoadCreeps(t *testing.T) {
	d := newDesk(t)
	d.raise(hour(-300), "ef2", condition.CreepingLoad)
	d.raise(hour(10), "ef1", condition.CreepingLoad)
	d.clear(hour(20), "ef1", condition.CreepingLoad)
	d.raise(hour(800), "ef1", condition.CreepingLoad) // February's
	d.raise(hour(10), "ef9", condition.CreepingLoad)
	got := made(t, d.wanted(hour(900)), &paper{}).Creeping
	if len(got) != 2 || got[0].Fan != "ef2" || !got[0].Stands || !got[0].Since.Equal(hour(-300)) || got[1].Fan != "ef1" || got[1].Stands ||
		got[1].Summary == "" {
		t.Errorf("%+v", got)
	}
}

// Whatever happened, and wherever the month begins in it, the journal since then
// tells the same as the whole one does.
func TestTheJournalOfAMonthIsEnough(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := newDesk(t)
		now := hour(-400)
		for range rapid.IntRange(1, 40).Draw(t, "entries") {
			now = now.Add(time.Duration(rapid.IntRange(1, 4000).Draw(t, "minutes")) * time.Minute)
			fan := rapid.SampledFrom([]reading.FanID{"ef1", "ef2"}).Draw(t, "fan")
			switch rapid.IntRange(0, 4).Draw(t, "what") {
			case 0, 1:
				d.raise(now, fan, condition.Hunting)
			case 2:
				d.clear(now, fan, condition.Hunting)
			case 3:
				if len(d.entries) > 0 {
					d.acknowledge(now)
				}
			case 4:
				d.take(now, fan, condition.Hunting, condition.Cleared, condition.Ticket, condition.Silenced)
			}
		}
		w := d.wanted(now)
		w.Fleet, w.Building, w.Month = fleet(), alder, january
		r, err := Make(t.Context(), &w, &paper{})
		if err != nil {
			t.Fatal(err)
		}
		got := make(map[reading.FanID]time.Duration)
		for _, c := range r.Conditions {
			got[c.Fan] = c.Stood
		}
		for _, fan := range []reading.FanID{"ef1", "ef2"} {
			if want := d.stood(fan, r.From, r.To); got[fan] != want {
				t.Fatalf("%s stood %s, want %s", fan, got[fan], want)
			}
		}
	})
}

// stood is how long a fan's condition stood between two times, by the whole
// journal.
func (d *desk) stood(fan reading.FanID, from, to time.Time) (sum time.Duration) {
	var since time.Time
	end := func(at time.Time) {
		if at.After(to) {
			at = to
		}
		if since.Before(from) {
			since = from
		}
		sum += max(0, at.Sub(since))
	}
	stands := false
	for _, e := range d.entries {
		if e.Alarm == nil || e.Alarm.Fan != fan {
			continue
		}
		switch active := e.Alarm.State.Active(); {
		case active && !stands:
			since = e.Time
		case !active && stands:
			end(e.Time)
		}
		stands = e.Alarm.State.Active()
	}
	if stands {
		end(to)
	}
	return sum
}
