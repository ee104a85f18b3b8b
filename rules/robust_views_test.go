package rules

import (
	"reflect"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// shown is all that pages and metrics are told of a fleet.
type shown struct {
	incidents []condition.Incident
	modes     []condition.Mode
	verdicts  [][]condition.Verdict
	standing  [][]condition.Standing
}

func (tr *trace) shown() (all shown) {
	all.incidents = tr.e.Incidents()
	for _, f := range tr.fleet.Fans {
		mode, verdicts, standing := tr.e.FanView(f.ID)
		all.modes = append(all.modes, mode)
		all.verdicts, all.standing = append(all.verdicts, verdicts), append(all.standing, standing)
	}
	verdicts, standing := tr.e.GatewayView("roof")
	all.verdicts, all.standing = append(all.verdicts, verdicts), append(all.standing, standing)
	for _, one := range all.standing {
		for i := range one { // the same instant, whatever the zone it is written in
			one[i].Since, one[i].Raised = one[i].Since.UTC(), one[i].Raised.UTC()
		}
	}
	for i := range all.incidents {
		all.incidents[i].Since = all.incidents[i].Since.UTC()
	}
	return all
}

func TestWhatIsShownIsTheSameAfterARestartAndAReload(t *testing.T) {
	fleet := testFleet(5)
	withContact(fleet.Fans[4])
	tr := newTrace(t, fleet)
	tr.play(40*time.Minute, func(id reading.FanID, since time.Duration) (reading.Outcome, values) {
		switch {
		case id == "ef4":
			return reading.OK, at(0, -30) // stopped
		case id == "ef5":
			return reading.OK, at(0.95, -30).with(reading.HighSpeed, 0)
		}
		return reading.OK, at(1, -10) // three are short together
	})
	before := tr.shown()
	if len(before.incidents) != 1 || len(before.incidents[0].Fans) != 3 || len(before.standing[4]) != 1 {
		t.Fatalf("incidents %+v, changes %v", before.incidents, tr.log)
	}
	said := len(tr.log)
	check := func(after string) {
		t.Helper()
		if now := tr.shown(); !reflect.DeepEqual(now, before) {
			t.Errorf("after %s\n%+v\nwant\n%+v", after, now, before)
		}
		if len(tr.log) != said {
			t.Errorf("after %s: %v", after, tr.log[said:])
		}
	}
	tr.restart()
	check("a restart")
	tr.take(tr.e.Reload(fleet, tr.now))
	check("a reload")
	tr.now = tr.now.Add(time.Hour)
	tr.restart()
	tr.take(tr.e.Reload(fleet, tr.now))
	check("both, an hour later")

	// An incident of which one fan is left is none.
	less := testFleet(5)
	less.Fans = append(less.Fans[:1], less.Fans[3:]...)
	tr.take(tr.e.Reload(less, tr.now))
	if in := tr.e.Incidents(); len(in) != 0 {
		t.Errorf("incidents %+v", in)
	}
}
