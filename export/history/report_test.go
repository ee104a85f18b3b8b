package history

import (
	"fmt"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export/report"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// BenchmarkReport makes the report of a building of 50 fans over 30 days at 5 s.
// Filling the folder first takes a minute.
func BenchmarkReport(b *testing.B) {
	const fans = 50
	april := report.Month{Year: 2026, Month: time.April}
	from, to := april.Begins(time.UTC), april.Next().Begins(time.UTC)
	building := &config.Building{ID: "alder"}
	gateway := &config.Gateway{ID: "alder-roof", Building: building, StaleAfter: 20 * time.Second}
	fleet := &config.Fleet{Buildings: []*config.Building{building}}
	plants := make([]*plant, fans)
	for i := range plants {
		f := fan(fmt.Sprint("ef", i))
		f.Building, f.Gateway, f.MinSpeed, f.MaxSpeed, f.StoppedBelow, f.RatedPower = building, gateway, 0.2, 1, 0.05, 250
		fleet.Fans, plants[i] = append(fleet.Fans, f), newPlant(uint64(i))
	}
	s := begun(b, Options{Dir: b.TempDir(), Keep: 2 * month, Queue: 1 << 21})
	var r reading.Reading
	for n, at := 1, from; at.Before(to); n, at = n+1, at.Add(5*time.Second) {
		for i, f := range fleet.Fans {
			plants[i].read(&r, f.ID, at)
			s.Record(f, &r, condition.Controlling)
		}
		if n%720 == 0 {
			flush(b, s)
		}
		if n%(24*720) == 0 {
			if err := s.Tidy(); err != nil {
				b.Fatal(err)
			}
		}
	}
	wanted := &report.Wanted{Fleet: fleet, Building: building, Month: april, Now: to}
	for b.Loop() {
		made, err := report.Make(b.Context(), wanted, s)
		if err != nil {
			b.Fatal(err)
		}
		if sum := made.Sum(); sum.Missing > time.Minute || sum.AtSetpoint == 0 {
			b.Fatalf("%+v", sum)
		}
	}
}
