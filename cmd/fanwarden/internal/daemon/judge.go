package daemon

import (
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/rules"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// judge applies the rules to what the poller brings, and lays what was read
// and what was found on the board. The cycles of all gateways pass through it
// one at a time.
type judge struct {
	log  *zap.Logger
	desk *desk

	mu      sync.Mutex
	fleet   *config.Fleet
	engine  *rules.Engine
	board   *export.Board
	keep    keeper
	changes uint64                 // of conditions, that were told
	found   []condition.Transition // of the cycle
	orphans map[alarm.ID]time.Time // alarms that the rules do not know of, since when
}

func newJudge(fleet *config.Fleet, version string, log *zap.Logger, desk *desk, now time.Time) *judge {
	return &judge{log: log, desk: desk, orphans: make(map[alarm.ID]time.Time), fleet: fleet, engine: rules.New(fleet), board: export.NewBoard(fleet, version, now)}
}

// take judges one cycle. It is the poller's sink.
func (j *judge) take(c *poller.Cycle) {
	j.mu.Lock()
	defer j.mu.Unlock()
	before := j.changes
	j.found = j.found[:0]
	for i := range c.Readings {
		r := &c.Readings[i]
		j.found = append(j.found, j.engine.Observe(r)...)
		j.keep.take(r, j.engine.Mode(r.Fan))
	}
	j.tell(j.found)
	repeats := j.engine.Repeats(c.Gateway)
	for i := range c.Readings {
		if repeats {
			c.Readings[i].Age() // what is shown must not look new
		}
	}
	j.board.SetReadings(c.Readings, c.Words)
	// What a gateway's condition silences shows at all of its fans, so their
	// states are taken once all of them were judged.
	for i := range c.Readings {
		id := c.Readings[i].Fan
		mode, verdicts, standing := j.engine.FanView(id)
		j.board.SetFanState(id, mode, verdicts, standing)
	}
	verdicts, standing := j.engine.GatewayView(c.Gateway)
	j.board.SetGatewayState(c.Gateway, verdicts, standing)
	if j.changes != before {
		j.board.SetIncidents(j.engine.Incidents())
	}
	j.board.CountDelay(c.Late)
	j.board.CountCycle(c.Gateway, c.Start, c.Took, c.Missed, c.Readings)
}

// recall feeds the past to the rules. What they find in it is not news, so it
// is not logged; what still stands at its end is shown like everything else.
// Nothing in it counts as a poll of this daemon.
func (j *judge) recall(past func(feed func(*reading.Reading)) error) error {
	j.mu.Lock()
	j.board.Prepare(true)
	j.mu.Unlock()
	err := past(func(r *reading.Reading) {
		j.mu.Lock()
		defer j.mu.Unlock()
		j.desk.recall(j.engine.Observe(r))
		j.board.SetReading(r)
		j.keep.recall(r, j.engine.Mode(r.Fan))
	})
	j.mu.Lock()
	defer j.mu.Unlock()
	j.board.Prepare(false)
	j.showStates()
	return err
}

// setFleet takes a new fleet file; what is known of the fans that stay is kept.
func (j *judge) setFleet(fleet *config.Fleet, now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.tell(j.engine.Reload(fleet, now))
	j.fleet = fleet
	j.layBaselines()
	j.keep.meet(fleet)
	j.board.SetFleet(fleet, now)
	j.showStates()
	j.board.Publish(now)
}

// showStates lays what the rules say of every fan and gateway on the board.
func (j *judge) showStates() {
	for _, fan := range j.fleet.Fans {
		mode, verdicts, standing := j.engine.FanView(fan.ID)
		j.board.SetFanState(fan.ID, mode, verdicts, standing)
	}
	for _, gateway := range j.fleet.Gateways {
		verdicts, standing := j.engine.GatewayView(gateway.ID)
		j.board.SetGatewayState(gateway.ID, verdicts, standing)
	}
	j.board.SetIncidents(j.engine.Incidents())
}

// reloadFailed notes that a new fleet file was not taken.
func (j *judge) reloadFailed(now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.board.ReloadFailed(now)
}

// publish shows what has changed since it was last called.
func (j *judge) publish(now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.board.Publish(now)
}

// showAlarms lays how the alarms and what is kept do on the board.
func (j *judge) showAlarms() {
	figures, store := j.desk.figures()
	j.mu.Lock()
	defer j.mu.Unlock()
	j.board.SetAlarms(figures, store)
	j.board.SetHistory(j.keep.figures())
}

// setOut takes a fan out of service, or puts it back.
func (j *judge) setOut(fan reading.FanID, out bool, now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.tell(j.engine.SetOutOfService(fan, out, now))
	mode, verdicts, standing := j.engine.FanView(fan)
	j.board.SetFanState(fan, mode, verdicts, standing)
}

// orphaned is how long an alarm that the rules do not know of stays: after a
// restart without their memory they need their holds to find it again.
const orphaned = 2 * time.Hour

// reconcile ends alarms whose condition the rules do not know of: those of fans
// and rules that are gone at once, others once the rules have had their time. It
// also raises alarms that the rules know of and the journal does not.
func (j *judge) reconcile(now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	var over []condition.Transition
	alive := make(map[alarm.ID]time.Time)
	for _, a := range j.desk.Alarms() {
		if !a.State.Active() {
			continue
		}
		state, armed := j.stateOf(&a)
		reason := condition.Disarmed
		switch {
		case armed && state != condition.Absent:
			continue
		case armed:
			since, known := j.orphans[a.ID]
			if !known {
				since = now
			}
			if alive[a.ID] = since; now.Sub(since) < orphaned {
				continue
			}
			reason = condition.Recovered
		}
		over = append(over, condition.Transition{Time: now, Building: a.Building, Gateway: a.Gateway, Fan: a.Fan, Condition: a.Condition,
			Change: condition.Cleared, Reason: reason, Severity: a.Severity, Finding: a.Finding})
	}
	j.orphans = alive
	j.tell(append(over, j.unbooked()...))
}

// unbooked returns, as if they were raised now, conditions that stand and have
// no alarm: the journal was moved away or is older than the rules' memory.
func (j *judge) unbooked() []condition.Transition {
	type source struct {
		gateway reading.GatewayID
		fan     reading.FanID
		name    condition.Name
	}
	booked := make(map[source]bool)
	for _, a := range j.desk.Alarms() {
		if a.State.Active() {
			booked[source{a.Gateway, a.Fan, a.Condition}] = true
		}
	}
	var raised []condition.Transition
	look := func(building *config.Building, gateway reading.GatewayID, fan reading.FanID, standing []condition.Standing) {
		for _, s := range standing {
			if s.SilencedBy == "" && !s.Raised.IsZero() && !booked[source{gateway, fan, s.Condition}] {
				raised = append(raised, condition.Transition{Time: s.Raised, Building: building.ID, Gateway: gateway, Fan: fan, Condition: s.Condition,
					Change: condition.Raised, Severity: s.Severity, Incident: s.Incident, Finding: s.Finding})
			}
		}
	}
	for _, g := range j.fleet.Gateways {
		_, standing := j.engine.GatewayView(g.ID)
		look(g.Building, g.ID, "", standing)
	}
	for _, f := range j.fleet.Fans {
		_, _, standing := j.engine.FanView(f.ID)
		look(f.Building, f.Gateway.ID, f.ID, standing)
	}
	return raised
}

// stateOf is what the rules say of an alarm's condition now, and whether they
// judge it at all.
func (j *judge) stateOf(a *alarm.Alarm) (state condition.State, armed bool) {
	var verdicts []condition.Verdict
	if a.Fan == "" {
		verdicts, _ = j.engine.GatewayView(a.Gateway)
	} else {
		_, verdicts, _ = j.engine.FanView(a.Fan)
	}
	for _, v := range verdicts {
		if v.Condition == a.Condition {
			return v.State, true
		}
	}
	return condition.CannotJudge, false
}

// tell hands changes of conditions to the desk, which writes them, and then
// writes one line in the log for each.
func (j *judge) tell(changes []condition.Transition) {
	j.desk.take(changes)
	j.changes += uint64(len(changes))
	for i := range changes {
		c := &changes[i]
		fields := []zap.Field{zap.String("building", string(c.Building)), zap.String("gateway", string(c.Gateway)),
			zap.String("condition", string(c.Condition)), zap.Stringer("severity", c.Severity)}
		if c.Fan != "" {
			fields = append(fields, zap.String("fan", string(c.Fan)))
		}
		if c.Incident != "" {
			fields = append(fields, zap.String("incident", c.Incident))
		}
		if c.Reason != "" {
			fields = append(fields, zap.String("reason", string(c.Reason)))
		}
		j.log.Info(string(c.Change), append(fields, zap.String("summary", c.Summary))...)
	}
}
