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
	"fanwarden/rules/condition"
)

// judge applies the rules to what the poller brings, and lays what was read
// and what was found on the board. The cycles of all gateways pass through it
// one at a time.
type judge struct {
	log *zap.Logger

	mu      sync.Mutex
	fleet   *config.Fleet
	engine  *rules.Engine
	board   *export.Board
	changes uint64 // of conditions, that were told
}

func newJudge(fleet *config.Fleet, version string, log *zap.Logger, now time.Time) *judge {
	return &judge{log: log, fleet: fleet, engine: rules.New(fleet), board: export.NewBoard(fleet, version, now)}
}

// take judges one cycle. It is the poller's sink.
func (j *judge) take(c *poller.Cycle) {
	j.mu.Lock()
	defer j.mu.Unlock()
	before := j.changes
	for i := range c.Readings {
		j.tell(j.engine.Observe(&c.Readings[i]))
	}
	repeats := j.engine.Repeats(c.Gateway)
	for i := range c.Readings {
		if repeats {
			c.Readings[i].Age() // what is shown must not look new
		}
		j.board.SetReading(&c.Readings[i])
	}
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
		j.engine.Observe(r)
		j.board.SetReading(r)
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

// tell writes one line for each change of a condition.
func (j *judge) tell(changes []condition.Transition) {
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
