package notify

import (
	"fmt"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"fanwarden/rules/condition"
)

// Only what has recovered is over. What another alarm explains, and what nobody
// looks at any more, may last, and a message must not send people back to bed.
func TestOnlyWhatRecoveredIsOver(t *testing.T) {
	cleared := night.Add(time.Hour)
	for reason, want := range map[condition.Reason][2]string{
		condition.Recovered: {"over: hunts", "Over Mon 5 Jan 07:31 UTC."},
		condition.Silenced:  {"explained: hunts", "Explained by another alarm since Mon 5 Jan 07:31 UTC: pressure has the wrong sign."},
		condition.Disarmed:  {"not judged: hunts", "it may still last"},
	} {
		a := About{Change: Returned, Building: Place{ID: "alder"}, Fan: &Place{ID: "ef1"}, Condition: condition.Hunting, Reason: reason,
			Since: night, Raised: night, Cleared: &cleared}
		if reason == condition.Silenced {
			a.Suppressed = condition.InvertedSign
		}
		if title := a.title(); !strings.Contains(title, want[0]) {
			t.Errorf("%s: title %q", reason, title)
		}
		if text := a.text(time.UTC); !strings.Contains(text, want[1]) || reason != condition.Recovered && strings.Contains(strings.ToLower(text), "over") {
			t.Errorf("%s: text %q", reason, text)
		}
	}
}

func TestHowSure(t *testing.T) {
	one, other := condition.Cause{What: "the belt is off"}, condition.Cause{What: "the wheel is loose"}
	seen := condition.Cause{What: "the belt is off", Speaks: "its rpm reads 0"}
	for _, c := range []struct {
		causes []condition.Cause
		want   string
	}{
		{nil, ""},
		{[]condition.Cause{one}, "Possibly: the belt is off."},
		{[]condition.Cause{one, other}, "The readings do not tell these apart: the belt is off. Or: the wheel is loose."},
		{[]condition.Cause{seen, other}, "Most likely: the belt is off, because its rpm reads 0. Or: the wheel is loose."},
	} {
		if got := (&About{Causes: c.causes}).why(); got != c.want {
			t.Errorf("got %q, want %q", got, c.want)
		}
	}
}

// A life-safety fan is named wherever it stands in a group, also beyond the
// alarms that the text lists.
func TestAGroupNamesItsLifeSafetyFan(t *testing.T) {
	d := newDesk(t)
	for n := range 30 {
		d.raise(string(d.post.in.fleet.Fans[n].ID), condition.Page)
	}
	if text := d.later(10*time.Second, "pager")[0].Text; !strings.Contains(text, "Life-safety fan among them, Alder Hall, Bath risers 9: call those") ||
		!strings.Contains(text, "(life safety, page, since 00:31)") {
		t.Errorf("%s", text)
	}
	d = newDesk(t)
	d.post.in.fans["alder-ef40"].LifeSafety = true
	for _, f := range d.post.in.fleet.Fans[10:] {
		d.raise(string(f.ID), condition.Page)
	}
	if text := d.later(10*time.Second, "pager")[0].Text; !strings.Contains(text, "among them, Alder Hall, Bath risers 40: call") {
		t.Errorf("%s", text)
	}
}

// On Monday morning, "since 14:05" would be taken for today.
func TestAnotherDayIsNamed(t *testing.T) {
	zone := time.FixedZone("CST", -6*3600)
	now := time.Date(2026, 1, 5, 7, 0, 0, 0, zone)
	for at, want := range map[time.Time]string{
		time.Date(2026, 1, 5, 0, 0, 0, 0, zone):   "00:00",
		time.Date(2026, 1, 4, 23, 59, 0, 0, zone): "Sun 4 Jan 23:59",
		time.Date(2025, 1, 5, 7, 0, 0, 0, zone):   "Sun 5 Jan 07:00",
	} {
		if got := clock(at, now); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestALockedPhoneShowsPlaceAndFaultOfManyAlarms(t *testing.T) {
	for _, def := range condition.Catalogue() {
		for _, building := range []string{"Ä", "Alder Hall", "The Building of the College of Letters, Sciences and Engineering"} {
			for _, change := range []Kind{Raised, Returned, Chattering} {
				for _, more := range []int{0, 1, 250} {
					group := []item{{about: About{Change: change, Building: Place{"b", building}, Condition: def.Name,
						Fan: &Place{"f", "Kitchen hoods and dishwashers of the lower refectory, east"}}}}
					group[0].alarm.Severity = condition.Page
					for n := range more {
						one := item{about: About{Change: Raised, Building: Place{ID: fmt.Sprint(n % 3)}, Fan: &Place{ID: "x"}, Condition: "other"}}
						one.alarm.Severity = condition.Page
						group = append(group, one)
					}
					for _, title := range []string{groupTitle(group), digestTitle(group)} {
						if n := utf8.RuneCountInString(title); n > lockScreen || !strings.Contains(title, fault(def.Name)) ||
							!strings.HasPrefix(title, string([]rune(building)[:1])) {
							t.Errorf("%d characters: %q", n, title)
						}
					}
				}
			}
		}
	}
}
