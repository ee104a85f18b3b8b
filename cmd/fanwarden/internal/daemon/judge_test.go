package daemon

import (
	"math/rand/v2"
	"testing"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

const threeFans = `
[fleet]
poll_every = "5s"
[pointmaps.m]
points.pressure = {table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa"}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
[[buildings]]
id = "alder"
[[gateways]]
id = "roof"
building = "alder"
url = "tcp://192.0.2.20"
[[fans]]
id = "ef1"
gateway = "roof"
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "ef2"
gateway = "roof"
unit = 2
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "ef3"
gateway = "roof"
unit = 3
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
`

// Values of a gateway that repeats what it once read are not shown as if they
// were new, and its fans' good readings stay those from before.
func TestRepeatedValuesAreNotShown(t *testing.T) {
	fleet, faults := config.Parse("fleet.toml", []byte(threeFans), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	now := time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)
	j := newJudge(fleet, "test", zap.NewNop(), newDesk(fleet, zap.NewNop(), time.Now), now)
	rnd := rand.New(rand.NewPCG(1, 2))
	pressures := make([]float64, len(fleet.Fans))
	cycle := func(repeats bool) {
		c := &poller.Cycle{Gateway: "roof", Start: now}
		for i, f := range fleet.Fans {
			r := reading.Reading{Fan: f.ID, Gateway: "roof", Time: now}
			if !repeats {
				pressures[i] = -30 + float64(int(10*rnd.NormFloat64()))/10
			}
			r.Set(reading.Pressure, pressures[i])
			r.Set(reading.Speed, 0.5)
			c.Readings = append(c.Readings, r)
		}
		j.take(c)
		j.publish(now)
		now = now.Add(5 * time.Second)
	}
	for range 12 * 60 * 2 {
		cycle(false)
	}
	moved := now
	for range 12 * 30 {
		cycle(true)
	}
	s := j.board.Snapshot()
	if g := s.Gateways[0]; len(g.Standing) != 1 || g.Standing[0].Condition != condition.DataNotMoving {
		t.Fatalf("stands %+v", g.Standing)
	}
	for _, f := range s.Fans {
		if v, fresh := f.Fresh(reading.Pressure, now); fresh {
			t.Errorf("%s shows %g", f.Fan.ID, v)
		}
		if at := f.LastGood; at.Sub(moved) > 15*time.Minute || len(f.Standing) != 0 {
			t.Errorf("%s was last good at %s, stands %+v", f.Fan.ID, at, f.Standing)
		}
	}
	cycle(false)
	cycle(false)
	if _, fresh := j.board.Snapshot().Fans[0].Fresh(reading.Pressure, now); !fresh {
		t.Error("values that move again are not shown")
	}
}
