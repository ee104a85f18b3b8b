package web

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
)

func TestWhatAGatewayHolds(t *testing.T) {
	ok, timeout := reading.OK, reading.Timeout
	for name, c := range map[string]struct {
		every, took          time.Duration // between starts, and of a cycle; the period is 5 s
		cycles               int
		outcomes             []reading.Outcome // of the polls of each
		held, share          any
		busShare, errorsHour any
	}{
		"not polled yet":     {cycles: 0},
		"one cycle":          {5 * time.Second, time.Second, 1, []reading.Outcome{ok}, nil, nil, 0.2, 0.0},
		"as it is to be":     {5 * time.Second, time.Second, 20, []reading.Outcome{ok, reading.Invalid, reading.Exception}, 5.0, 1.0, 0.2, 0.0},
		"a little too early": {4999 * time.Millisecond, time.Second, 20, []reading.Outcome{ok}, 4.999, 1.0, 0.2, 0.0},
		"every second start": {10 * time.Second, 6500 * time.Millisecond, 20, []reading.Outcome{ok, timeout}, 10.0, 0.5, 1.3, 0.5},
		"down":               {5 * time.Second, time.Second, 20, []reading.Outcome{reading.Refused, reading.UnitSilent}, 5.0, 1.0, 0.2, 1.0},
		"no fans":            {5 * time.Second, 0, 20, nil, 5.0, 1.0, 0.0, nil},
	} {
		fleet := &config.Fleet{Buildings: []*config.Building{{ID: "alder"}}}
		fleet.Gateways = []*config.Gateway{{ID: "roof", Building: fleet.Buildings[0], PollEvery: 5 * time.Second, StaleAfter: time.Minute}}
		b := export.NewBoard(fleet, "", sample.Now())
		polls := make([]reading.Reading, len(c.outcomes))
		for i := range polls {
			polls[i].Outcome = c.outcomes[i]
		}
		for i := range c.cycles {
			b.CountCycle("roof", sample.Now().Add(time.Duration(i)*c.every), c.took, 0, polls)
		}
		b.Publish(sample.Now())
		got := decoded(t, ask(showing(b.Snapshot()), "GET", "/api/v1/gateways/roof").Body.Bytes())
		period := got["period"].(map[string]any)
		if period["wanted_s"] != 5.0 || period["held_s"] != c.held || period["held_share"] != c.share ||
			got["bus_share"] != c.busShare || got["errors_hour"] != c.errorsHour {
			t.Errorf("%s: %v, bus %v, errors %v", name, period, got["bus_share"], got["errors_hour"])
		}
	}
}
