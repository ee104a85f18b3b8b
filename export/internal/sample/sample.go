// Package sample makes snapshots of an invented campus for the tests of every
// way out, so that all of them are tried on the same fleet.
package sample

import (
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// now is never changed.
var now = time.Date(2026, 1, 5, 6, 31, 10, 0, time.UTC)

// Now returns the instant at which the snapshots are to be looked at.
func Now() time.Time { return now }

// Hostile is a name that breaks out of whatever does not escape it: markup,
// quotes, a line end, a byte that is not UTF-8 and a right-to-left override.
const Hostile = "<script>alert(\"x\")</script>'\\\n\xff\u202Eend"

// Campus returns a small fleet in which one of everything has happened: a
// healthy fan, a pinned one, one stuck idle, one that controls airflow, one
// whose values are marked invalid, a dead gateway with its fan, and a gateway
// that has not been polled yet.
func Campus() *export.Snapshot {
	c := &campus{fleet: &config.Fleet{Path: "fleet.toml", Name: "Harbor College", PollEvery: 5 * time.Second,
		StaleAfter: 20 * time.Second, Location: chicago(), Units: units.Imperial}}
	c.snapshot = &export.Snapshot{Taken: now.Add(-time.Second), Fleet: c.fleet, Version: "1.2.3",
		Reload: export.Reload{Good: true, GoodAt: now.Add(-26 * time.Hour)}}
	c.alder()
	c.birch()
	c.snapshot.Alarms, c.snapshot.Store = figures(), export.Store{Used: true, Up: true, Pending: 2}
	c.snapshot.History = export.History{Used: true, Up: true, Written: 518_400, Dropped: export.Dropped{Full: 12, Order: 3},
		Bytes: 3_390_000, Oldest: now.Add(-30 * 24 * time.Hour)}
	c.snapshot.Delay.Observe(3 * time.Millisecond)
	c.snapshot.Delay.Observe(60 * time.Millisecond)
	return c.snapshot
}

// figures are of a few alarms that were raised lately.
func figures() alarm.Figures {
	f := alarm.Figures{At: now, LastTenMinutes: 1, LastHour: 3, LastDay: 9, Floods: 1, Chattering: 1, Stale: 1, Raised: [3]uint64{4, 12, 2},
		Frequent: []alarm.Frequent{{Building: "alder", Gateway: "alder-roof", Fan: "alder-ef2", Condition: condition.PinnedAtMax, Times: 7},
			{Building: "birch", Gateway: "birch-roof", Condition: condition.GatewayDown, Times: 2}},
		Acknowledged: 5, AcknowledgedMedian: 4 * time.Minute, AcknowledgedP95: 21 * time.Minute, Acknowledgements: 3, AcknowledgedSum: 30 * time.Minute}
	f.Standing[condition.Page][alarm.Unacknowledged] = 1
	f.Standing[condition.Ticket][alarm.Acknowledged] = 2
	return f
}

// chicago is a zone with an offset, so that local and UTC times differ.
func chicago() *time.Location { return time.FixedZone("CST", -6*3600) }

// campus builds a snapshot and its fleet side by side.
type campus struct {
	fleet    *config.Fleet
	snapshot *export.Snapshot
}

func (c *campus) building(id reading.BuildingID, name string) *config.Building {
	b := &config.Building{ID: id, Name: name}
	c.fleet.Buildings = append(c.fleet.Buildings, b)
	return b
}

func (c *campus) gateway(id reading.GatewayID, in *config.Building) *export.Gateway {
	g := &config.Gateway{ID: id, Building: in, URL: "tcp://10.20.3.20:502", Scheme: "tcp",
		Address: "10.20.3.20:502", Timeout: 800 * time.Millisecond, PollEvery: 5 * time.Second,
		StaleAfter: 20 * time.Second}
	c.fleet.Gateways = append(c.fleet.Gateways, g)
	shown := &export.Gateway{Gateway: g}
	c.snapshot.Gateways = append(c.snapshot.Gateways, shown)
	return shown
}

// fan adds a fan that has the points, and that nobody has polled yet.
func (c *campus) fan(id reading.FanID, behind *export.Gateway, points ...reading.Point) *export.Fan {
	g := behind.Gateway
	f := &config.Fan{ID: id, Name: string(id), Gateway: g, Building: g.Building, Unit: len(c.fleet.Fans) + 1,
		PointMap: &config.PointMap{Name: "rooftop"}, Duty: config.Bath, Setpoint: -30, HasSetpoint: true,
		MinSpeed: 0.2, MaxSpeed: 1}
	for i, p := range points {
		f.Points = append(f.Points, config.PlacedPoint{Point: p, Unit: f.Unit, Table: decode.Input, Address: i,
			Encoding: decode.Encoding{Type: decode.Int16, Bit: decode.NoBit, Scale: 1}})
	}
	c.fleet.Fans = append(c.fleet.Fans, f)
	shown := &export.Fan{Fan: f}
	c.snapshot.Fans = append(c.snapshot.Fans, shown)
	return shown
}

// answered gives a fan a good reading of that age, its points' values in order.
func answered(f *export.Fan, age time.Duration, mode condition.Mode, values ...float64) {
	at := now.Add(-age)
	f.Values = reading.Reading{Fan: f.Fan.ID, Gateway: f.Fan.Gateway.ID, Time: at}
	for i, value := range values {
		f.Values.Set(f.Fan.Points[i].Point, value)
	}
	f.Polled, f.LastGood, f.Mode = at, at, mode
}

// cycled gives a gateway its cycles.
func cycled(g *export.Gateway, up bool, cycles int, took time.Duration, fans int, outcome reading.Outcome) {
	g.Answered, g.Cycles, g.Last, g.Took = up, uint64(cycles), now.Add(-2*time.Second), took
	g.Polls[outcome] = uint64(cycles * fans)
	for range cycles {
		g.Duration.Observe(took)
	}
}

// verdicts lists what was judged, in the order of the catalogue: of those that
// stand it is the severity that counts, all others are absent.
func verdicts(scope condition.Scope, standing ...condition.Standing) []condition.Verdict {
	var all []condition.Verdict
	for _, d := range condition.Catalogue() {
		if d.Scope != scope {
			continue
		}
		v := condition.Verdict{Condition: d.Name, Severity: d.Default.Severity, State: condition.Absent}
		for _, s := range standing {
			if s.Condition == d.Name && s.SilencedBy == "" {
				v.Severity, v.State = s.Severity, condition.Present
			}
		}
		all = append(all, v)
	}
	return all
}
