package condition

import (
	"encoding/json"
	"math"
	"testing"
	"time"
)

func TestTransitionAsJSON(t *testing.T) {
	finding := Finding{
		Summary:  "at top speed",
		Evidence: []Number{{"pressure_pa", -9.963556400000001}, {"broken", math.NaN()}, {"stood_s", 1320}},
		Causes:   []Cause{{What: "the riser leaks", Check: "ask on the floors"}, {What: "no check"}},
	}
	at := time.Date(2026, 1, 5, 0, 31, 10, 0, time.FixedZone("", -6*3600))
	for name, c := range map[string]struct {
		is   Transition
		want string
	}{
		"raised": {Transition{Time: at, Building: "alder", Gateway: "alder-roof", Fan: "alder-ef1",
			Condition: PinnedAtMax, Change: Raised, Severity: Ticket, Finding: finding},
			`{"time":"2026-01-05T06:31:10Z","building":"alder","gateway":"alder-roof","fan":"alder-ef1",` +
				`"condition":"pinned_at_max","change":"raised","severity":"ticket","summary":"at top speed",` +
				`"evidence":{"pressure_pa":-9.96356,"stood_s":1320},` +
				`"causes":["the riser leaks. First check: ask on the floors","no check"]}`},
		"a gateway's own, cleared": {Transition{Time: at, Building: "alder", Gateway: "alder-roof", Condition: GatewayDown,
			Change: Cleared, Reason: Recovered, Severity: Page},
			`{"time":"2026-01-05T06:31:10Z","building":"alder","gateway":"alder-roof","condition":"gateway_down",` +
				`"change":"cleared","reason":"recovered","severity":"page","summary":"","evidence":{},"causes":[]}`},
	} {
		t.Run(name, func(t *testing.T) {
			got, err := json.Marshal(c.is)
			if err != nil || string(got) != c.want {
				t.Errorf("is written as\n%s, %v, want\n%s", got, err, c.want)
			}
		})
	}
}
