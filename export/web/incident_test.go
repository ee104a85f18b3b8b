package web

import (
	"testing"
	"time"

	"fanwarden/export/internal/sample"
	"fanwarden/rules/condition"
)

// What went wrong together is one incident that names all its members.
func TestFansThatGoWrongTogetherAreOneIncident(t *testing.T) {
	s := sample.Campus()
	in := condition.Incident{ID: "hunting-alder-1", Condition: condition.Hunting, Building: "alder", Since: sample.Now().Add(-time.Hour),
		Summary: "2 fans of Alder Hall raised hunting within 30 min of each other",
		Cause:   condition.Cause{What: "strong wind", Check: "look out of the window"}}
	for _, f := range s.Fans[:2] {
		f.Standing = append(f.Standing, condition.Standing{Condition: condition.Hunting, Severity: condition.Ticket, Since: in.Since,
			Raised: in.Since, Incident: in.ID, Finding: condition.Finding{Summary: "swings by itself"}})
		in.Fans = append(in.Fans, f.Fan.ID)
	}
	s.Incidents = []condition.Incident{in}
	answer := decoded(t, ask(showing(s), "GET", "/api/v1/fleet").Body.Bytes())
	all := answer["incidents"].([]any)
	if len(all) != 1 || all[0].(map[string]any)["cause"] != "strong wind" || len(all[0].(map[string]any)["fans"].([]any)) != 2 {
		t.Errorf("%v", all)
	}
	for path, want := range map[string]int{"/api/v1/incidents": 1, "/api/v1/incidents?building=alder": 1,
		"/api/v1/incidents?building=birch": 0, "/api/v1/incidents?building=birch&building=alder": 1} {
		got := decoded(t, ask(showing(s), "GET", path).Body.Bytes())["incidents"].([]any)
		if len(got) != want {
			t.Errorf("%s: %v", path, got)
		}
	}
	if len(s.Incidents) != 1 || s.Incidents[0].ID == "" {
		t.Error("asking changed the snapshot")
	}
}
