package daemon

import (
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller"
	"fanwarden/rules"
	"fanwarden/rules/condition"
)

// judge applies the rules to what the poller brings, and lays what was read
// and what was found on the board. The cycles of all gateways pass through it
// one at a time.
type judge struct {
	log *zap.Logger

	mu     sync.Mutex
	engine *rules.Engine
	board  *export.Board
}

func newJudge(fleet *config.Fleet, version string, log *zap.Logger, now time.Time) *judge {
	return &judge{log: log, engine: rules.New(fleet), board: export.NewBoard(fleet, version, now)}
}

// take judges one cycle. It is the poller's sink.
func (j *judge) take(c *poller.Cycle) {
	j.mu.Lock()
	defer j.mu.Unlock()
	for i := range c.Readings {
		j.tell(j.engine.Observe(&c.Readings[i]))
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
	j.board.CountCycle(c.Gateway, c.Start, c.Took, c.Missed, c.Readings)
}

// setFleet takes a new fleet file; what is known of the fans that stay is kept.
func (j *judge) setFleet(fleet *config.Fleet, now time.Time) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.tell(j.engine.Reload(fleet, now))
	j.board.SetFleet(fleet, now)
	for _, fan := range fleet.Fans {
		mode, verdicts, standing := j.engine.FanView(fan.ID)
		j.board.SetFanState(fan.ID, mode, verdicts, standing)
	}
	for _, gateway := range fleet.Gateways {
		verdicts, standing := j.engine.GatewayView(gateway.ID)
		j.board.SetGatewayState(gateway.ID, verdicts, standing)
	}
	j.board.Publish(now)
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
	for i := range changes {
		c := &changes[i]
		fields := []zap.Field{zap.String("building", string(c.Building)), zap.String("gateway", string(c.Gateway)),
			zap.String("condition", string(c.Condition)), zap.Stringer("severity", c.Severity)}
		if c.Fan != "" {
			fields = append(fields, zap.String("fan", string(c.Fan)))
		}
		if c.Reason != "" {
			fields = append(fields, zap.String("reason", string(c.Reason)))
		}
		j.log.Info(string(c.Change), append(fields, zap.String("summary", c.Summary))...)
	}
}
