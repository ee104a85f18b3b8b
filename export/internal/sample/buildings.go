package sample

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// alder is a building whose gateway answers.
func (c *campus) alder() {
	g := c.gateway("alder-roof", c.building("alder", "Alder Hall"))
	cycled(g, true, 3, 120*time.Millisecond, 4, reading.OK)
	g.Missed = 2
	g.Verdicts = verdicts(condition.OfGateway)

	healthy := c.fan("alder-ef1", g, reading.Pressure, reading.Speed, reading.HighSpeed)
	healthy.Fan.Name, healthy.Fan.Location, healthy.Fan.Serves = "Bath risers 1-4", "roof, north", "floors 1-9"
	healthy.Fan.Group, healthy.Fan.Role = "north", config.Lead
	answered(healthy, 2*time.Second, condition.Controlling, -30.5, 0.62, 0)
	healthy.Verdicts = verdicts(condition.OfFan)

	pinned := c.fan("alder-ef2", g, reading.Pressure, reading.Speed, reading.HighSpeed, reading.Setpoint)
	pinned.Fan.Name = "Bath risers 5-8"
	answered(pinned, 2*time.Second, condition.AtMax, -12, 1, 1, -30)
	pinned.Standing = []condition.Standing{pinnedAtMax()}
	pinned.Verdicts = verdicts(condition.OfFan, pinned.Standing...)

	lab := c.fan("alder-ef3", g, reading.Airflow, reading.Speed)
	lab.Fan.Name, lab.Fan.Duty, lab.Fan.ControlsAirflow, lab.Fan.Setpoint = "Fume hoods", config.Laboratory, true, 0.4
	lab.Fan.LifeSafety = true
	answered(lab, 2*time.Second, condition.Controlling, 0.41, 0.7)
	lab.Verdicts = verdicts(condition.OfFan)

	marked := c.fan("alder-ef4", g, reading.Pressure, reading.Speed, reading.Setpoint)
	marked.Fan.Name = Hostile
	answered(marked, 2*time.Second, condition.Unknown, 0, 0.5)
	marked.Values.Mark(reading.Pressure, reading.Marked)
	marked.Values.Mark(reading.Setpoint, reading.Unanswered)
	marked.Outcome, marked.Values.Outcome = reading.Invalid, reading.Invalid
	marked.LastGood = now.Add(-time.Hour)
	marked.Verdicts = verdicts(condition.OfFan)[:1] // nothing but controller_silent can be judged
}

// birch is a building with a dead gateway and a new one.
func (c *campus) birch() {
	b := c.building("birch", "Birch Hall")
	dead := c.gateway("birch-roof", b)
	cycled(dead, false, 2, 31*time.Second, 2, reading.Timeout)
	dead.Standing = []condition.Standing{{Condition: condition.GatewayDown, Severity: condition.Page,
		Since: now.Add(-70 * time.Minute), Raised: now.Add(-69 * time.Minute),
		Finding: condition.Finding{Summary: "birch-roof has not answered for 70 min.",
			Evidence: []condition.Number{{Name: "silent_s", Value: 4200}},
			Causes: []condition.Cause{
				{What: "The gateway has lost its power.", Check: "Look whether its power light is on."},
				{What: "The network switch or cable has failed.", Check: "Ping the gateway's address."}}}}}
	dead.Verdicts = verdicts(condition.OfGateway, dead.Standing...)

	silent := c.fan("birch-ef1", dead, reading.Pressure, reading.Speed, reading.HighSpeed)
	answered(silent, 70*time.Minute, condition.Unknown, -30, 0.6, 0)
	silent.Polled, silent.Outcome = now.Add(-2*time.Second), reading.Timeout
	silent.Standing = []condition.Standing{{Condition: condition.ControllerSilent, Severity: condition.Ticket,
		Since: now.Add(-70 * time.Minute), SilencedBy: condition.GatewayDown,
		Finding: condition.Finding{Summary: "birch-ef1 does not answer."}}}
	silent.Verdicts = verdicts(condition.OfFan, silent.Standing...)

	idle := c.fan("birch-ef2", dead, reading.Pressure, reading.Speed)
	answered(idle, 70*time.Minute, condition.Idle, 12, 0)
	idle.Polled, idle.Outcome = now.Add(-2*time.Second), reading.Timeout
	idle.Standing = []condition.Standing{{Condition: condition.StuckIdle, Severity: condition.Note,
		Since: now.Add(-80 * time.Hour), Raised: now.Add(-8 * time.Hour),
		Finding: condition.Finding{Summary: "Idle for more than 72 h."}}}
	idle.Verdicts = verdicts(condition.OfFan, idle.Standing...)

	fresh := c.gateway("birch-annex", b)
	c.fan("birch-ef3", fresh, reading.Pressure, reading.Speed)
}

func pinnedAtMax() condition.Standing {
	return condition.Standing{Condition: condition.PinnedAtMax, Severity: condition.Ticket,
		Since: now.Add(-45 * time.Minute), Raised: now.Add(-23 * time.Minute),
		Finding: condition.Finding{
			Summary: "At full speed for 45 min and 0.072 inH2O short of its setpoint.",
			Evidence: []condition.Number{{Name: "pressure_pa", Value: -12}, {Name: "setpoint_pa", Value: -30},
				{Name: "speed", Value: 1}, {Name: "stood_s", Value: 2700}},
			Causes: []condition.Cause{
				{What: "A clean-out door or a duct section is open.", Check: "Walk the riser and close what is open."},
				{What: "The belt slips or the wheel is loose.", Check: "Lock the fan out, then look at the belt."}}}}
}

// Large returns a fleet of that many fans, 32 behind each gateway, all of them
// read a second ago and judged, every hundredth one pinned.
func Large(fans int) *export.Snapshot {
	c := &campus{fleet: &config.Fleet{Name: "Large", Location: time.UTC}}
	c.snapshot = &export.Snapshot{Taken: now, Fleet: c.fleet, Version: "1.2.3", Ready: true}
	var g *export.Gateway
	for i := range fans {
		if i%32 == 0 {
			id := "b" + number(i/32)
			g = c.gateway(reading.GatewayID(id+"-roof"), c.building(reading.BuildingID(id), id))
			cycled(g, true, 1, 300*time.Millisecond, 32, reading.OK)
			g.Verdicts = verdicts(condition.OfGateway)
		}
		f := c.fan(reading.FanID("ef"+number(i)), g, reading.Pressure, reading.Speed, reading.HighSpeed)
		answered(f, time.Second, condition.Controlling, -30+float64(i%7)/10, 0.6, 0)
		if i%100 == 0 {
			f.Standing = []condition.Standing{pinnedAtMax()}
		}
		f.Verdicts = verdicts(condition.OfFan, f.Standing...)
	}
	return c.snapshot
}

func number(i int) string { return fmt.Sprintf("%05d", i) }
