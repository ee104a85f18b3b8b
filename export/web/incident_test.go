package web

import (
	"strings"
	"testing"
	"time"

	"fanwarden/export/internal/sample"
	"fanwarden/rules/condition"
)

// What went wrong together is one card that names all its members, and one
// incident in JSON.
func TestFansThatGoWrongTogetherAreOneCard(t *testing.T) {
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
	h := showing(s)
	page := ask(h, "GET", "/").Body.String()
	if n := strings.Count(page, "2 fans of Alder Hall raised hunting"); n != 1 {
		t.Errorf("the incident is told %d times", n)
	}
	if strings.Contains(page, "swings by itself") {
		t.Error("a member is told beside its incident")
	}
	for _, f := range s.Fans[:2] {
		if !strings.Contains(page, `<a href="#`+anchor(f.Fan)+`"><bdi>`+f.Fan.Name+`</bdi></a>`) {
			t.Errorf("%s is not named", f.Fan.ID)
		}
	}
	answer := decoded(t, ask(h, "GET", "/api/v1/fleet").Body.Bytes())
	all := answer["incidents"].([]any)
	if len(all) != 1 || all[0].(map[string]any)["cause"] != "strong wind" || len(all[0].(map[string]any)["fans"].([]any)) != 2 {
		t.Errorf("%v", all)
	}
}
