package rules

import (
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// some feeds the first n fans one value and the others another.
func (tr *trace) some(span time.Duration, n int, one, other values) {
	first := make(map[reading.FanID]bool)
	for _, f := range tr.fleet.Fans[:n] {
		first[f.ID] = true
	}
	tr.play(span, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
		if first[id] {
			return reading.OK, one
		}
		return reading.OK, other
	})
}

func TestFansThatGoWrongTogetherAreOneIncident(t *testing.T) {
	tr := newTrace(t, testFleet(8))
	tr.some(30*time.Minute, 3, at(1, -10), at(0.5, -30))
	all := tr.e.Incidents()
	if len(all) != 1 {
		t.Fatalf("%d incidents", len(all))
	}
	in := all[0]
	if in.Condition != condition.PinnedAtMax || in.Gateway != "roof" || in.Building != "alder" || len(in.Fans) != 3 ||
		!in.Since.Equal(midnight) || in.Summary != "3 fans behind roof raised pinned_at_max within 30 min of each other" {
		t.Errorf("%+v", in)
	}
	if !strings.Contains(in.Cause.What, "their risers share") || in.Cause.Check == "" {
		t.Errorf("%+v", in.Cause)
	}
	// The third that is raised makes it one; the first two belong to it from then on.
	for i, want := range []string{"", "", in.ID} {
		if tr.got[i].Incident != want {
			t.Errorf("change %d is of incident %q, want %q", i, tr.got[i].Incident, want)
		}
	}
	for _, f := range tr.fleet.Fans[:3] {
		if _, _, s := tr.e.FanView(f.ID); len(s) != 1 || s[0].Incident != in.ID {
			t.Errorf("%s: %+v", f.ID, s)
		}
	}
	tr.some(10*time.Minute, 2, at(0.5, -30), at(0.5, -30))
	if left := tr.e.Incidents(); len(left) != 0 {
		t.Errorf("it is over, and %+v stands", left)
	}
}

func TestWhatIsNoIncident(t *testing.T) {
	two := newTrace(t, testFleet(8))
	two.some(30*time.Minute, 2, at(1, -10), at(0.5, -30))
	few := newTrace(t, testFleet(20))
	few.some(30*time.Minute, 3, at(1, -10), at(0.5, -30))
	apart := newTrace(t, testFleet(8))
	for n := 1; n <= 3; n++ {
		apart.some(40*time.Minute, n, at(1, -10), at(0.5, -30))
	}
	for name, tr := range map[string]*trace{"two fans": two, "three of twenty": few, "each at another time": apart} {
		if all := tr.e.Incidents(); len(all) != 0 || len(tr.got) < 2 {
			t.Errorf("%s: %+v", name, all)
		}
	}
}

// Fans behind several gateways of one building.
func TestAnIncidentOfABuilding(t *testing.T) {
	fleet := testFleet(6)
	second := *fleet.Gateways[0]
	second.ID = "cellar"
	fleet.Gateways = append(fleet.Gateways, &second)
	for _, f := range fleet.Fans[3:] {
		f.Gateway = &second
	}
	tr := newTrace(t, fleet)
	tr.play(30*time.Minute, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
		if id == "ef1" || id == "ef4" || id == "ef5" {
			return reading.OK, at(1, -10)
		}
		return reading.OK, at(0.5, -30)
	})
	all := tr.e.Incidents()
	if len(all) != 1 || all[0].Gateway != "" || len(all[0].Fans) != 3 || !strings.Contains(all[0].Summary, "3 fans of Alder Hall") {
		t.Errorf("%+v", all)
	}
}

func TestGatewaysOfABuildingThatFailTogether(t *testing.T) {
	fleet := testFleet(4)
	second := *fleet.Gateways[0]
	second.ID = "cellar"
	fleet.Gateways = append(fleet.Gateways, &second)
	for _, f := range fleet.Fans[2:] {
		f.Gateway = &second
	}
	tr := newTrace(t, fleet)
	tr.fail(5*time.Minute, reading.Timeout)
	all := tr.e.Incidents()
	if len(all) != 1 || all[0].Condition != condition.GatewayDown || len(all[0].Gateways) != 2 || all[0].Gateway != "" ||
		!strings.Contains(all[0].Cause.What, "power") {
		t.Errorf("%+v", all)
	}
}

func TestAChangedPointMapIsNamed(t *testing.T) {
	fleet := testFleet(3)
	shared := &config.PointMap{Name: "rooftop"}
	for _, f := range fleet.Fans {
		f.PointMap = shared
	}
	tr := newTrace(t, fleet)
	tr.steady(40*time.Minute, at(0.5, 30)) // holds minus its setpoint
	all := tr.e.Incidents()
	if len(all) != 1 || all[0].Condition != condition.InvertedSign || !strings.Contains(all[0].Cause.What, "rooftop") {
		t.Errorf("%+v; changes %v", all, tr.log)
	}
}

func TestAnIncidentOutlivesARestart(t *testing.T) {
	tr := newTrace(t, testFleet(4))
	tr.some(30*time.Minute, 3, at(1, -10), at(0.5, -30))
	before := tr.e.Incidents()
	tr.restart()
	if after := tr.e.Incidents(); len(before) != 1 || len(after) != 1 || after[0].ID != before[0].ID {
		t.Errorf("%+v, then %+v", before, after)
	}
}
