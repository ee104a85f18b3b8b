package field_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// Each trouble that a rule speaks of is raised as what it is, in time, and
// nothing beside it. The times are the holds of the conditions with
// what the fan takes to get there; a fan that goes idle has to be used first.
// A sensor that breathes room air and a motor that stands can be said in two ways,
// and who changed a setting is told that it is changed, and what that does.
func TestTroublesAreRaisedAsWhatTheyAre(t *testing.T) {
	const ten, night = 10 * time.Hour, time.Hour
	for _, c := range []struct {
		kind   field.Kind
		fan    reading.FanID
		size   float64
		onset  time.Duration // of the run, which begins at midnight
		want   string
		within time.Duration
	}{
		{field.Undersized, "bath", 0, ten, "pinned_at_max", 30 * time.Minute},
		// Its dryers blow just then and hide what little it still pulls: the readings tell no more.
		{field.Undersized, "laundry", 0, ten, "pinned_at_max|no_effect", 30 * time.Minute},
		{field.Undersized, "kitchen", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Undersized, "plenum", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Undersized, "hood", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Undersized, "general", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Leaking, "bath", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Leaking, "laundry", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.Leaking, "plenum", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.SetpointOutOfReach, "bath", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.SetpointOutOfReach, "plenum", 0, ten, "pinned_at_max", 30 * time.Minute},
		{field.MotorOff, "kitchen", 0, ten, "no_effect|pinned_at_max", 30 * time.Minute},
		{field.TubeOff, "bath", 0, ten, "pinned_at_max|no_effect", 30 * time.Minute},
		{field.DeafWhenIdle, "night", 0, night, "stuck_idle", 8 * time.Hour},
		{field.DeafWhenIdle, "dryer", 0, night, "stuck_idle", 12 * time.Hour},
		{field.RestartOutOfReach, "night", 0, night, "stuck_idle|settings_changed", 8 * time.Hour},
		{field.Tripped, "bath", 0, ten, "controller_fault", 5 * time.Minute},
		{field.ProbeWrongSide, "bath", 0, ten, "inverted_sign", 15 * time.Minute},
		{field.ProbeWrongSide, "plenum", 0, ten, "inverted_sign", 15 * time.Minute},
		{field.TubesSwapped, "bath", 0, ten, "inverted_sign", 15 * time.Minute},
		{field.TubesSwapped, "kitchen", 0, ten, "inverted_sign", 15 * time.Minute},
		{field.TubesSwapped, "plenum", 0, ten, "inverted_sign", 15 * time.Minute},
		{field.SignLost, "bath", 0, ten, "inverted_sign", 30 * time.Minute},
		{field.SignLost, "laundry", 0, ten, "inverted_sign", 30 * time.Minute},
		{field.SignLost, "plenum", 0, ten, "inverted_sign", 30 * time.Minute},
		{field.NotPermitted, "bath", 0, ten, "", time.Hour},
		{field.LeftInHand, "bath", 1, ten, "", 2 * time.Hour},
		{field.OverFast, "bath", 0, ten, "hunting", time.Hour},
		{field.OverFast, "night", 0, ten, "", 2 * time.Hour},
		{field.ContactClosed, "bath", 0, ten, "contact_disagrees", 30 * time.Minute},
		{field.ShortCycling, "night", 0, night, "short_cycling", 4 * time.Hour},
		{field.SlowLoading, "laundry", 0, ten, "", 4 * time.Hour},
	} {
		t.Run(string(c.kind)+" of "+string(c.fan), func(t *testing.T) {
			t.Parallel()
			f := single(t, c.fan, 4)
			put(t, f, field.Fault{Fan: c.fan, Kind: c.kind, Size: c.size, From: monday.Add(c.onset)})
			f.Step(c.onset - time.Hour)
			w := watch(f)
			w.run(time.Hour+c.within, nil)
			wanted, raised := strings.Split(c.want, "|"), c.want == ""
			for fan, conditions := range w.raised {
				for name, at := range conditions {
					raised = raised || slices.Contains(wanted, name)
					if fan != c.fan || !slices.Contains(wanted, name) || at.Before(monday.Add(c.onset)) {
						t.Errorf("%s of %s is raised at %s", name, fan, at.Format(time.DateTime))
					}
				}
			}
			if !raised {
				t.Errorf("%s is not raised within %s", c.want, c.within)
			}
		})
	}
}

// A trouble that is taken away is over: what it raised clears.
func TestWhatIsRepairedClears(t *testing.T) {
	for _, c := range []struct {
		kind  field.Kind
		fan   reading.FanID
		hours time.Duration // that it stands
		want  string
	}{
		{field.Undersized, "bath", time.Hour, "pinned_at_max"},
		{field.Leaking, "plenum", time.Hour, "pinned_at_max"},
		{field.DeafWhenIdle, "night", 9 * time.Hour, "stuck_idle"},
		{field.TubesSwapped, "kitchen", time.Hour, "inverted_sign"},
		{field.SignLost, "bath", time.Hour, "inverted_sign"},
	} {
		t.Run(string(c.kind), func(t *testing.T) {
			t.Parallel()
			f := single(t, c.fan, 4)
			onset := monday.Add(time.Hour)
			put(t, f, field.Fault{Fan: c.fan, Kind: c.kind, From: onset, Until: onset.Add(c.hours)})
			w := watch(f)
			w.run(time.Hour+c.hours, nil)
			if _, raised := w.raised[c.fan][c.want]; !raised {
				t.Fatalf("%s is not raised at all", c.want)
			}
			w.run(12*time.Hour, nil)
			if w.stands[c.fan][c.want] {
				t.Errorf("%s stands twelve hours after the repair: %v", c.want, w.log)
			}
			if len(w.raised[c.fan]) != 1 {
				t.Errorf("%v", w.log)
			}
		})
	}
}
