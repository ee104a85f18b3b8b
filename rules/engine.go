// Package rules judges fans. Readings go in with their own time, changes of
// conditions come out. The engine knows no clock, no network and no
// goroutine, so that a replay of what a daemon saw raises what the daemon
// raised.
//
// One reading takes this way: [Engine.Observe] finds its fan; the gateway
// notes how the poll ended (gateway.go); the reading becomes a sample of the
// one value that the fan controls, seen from the side of demand (sample.go);
// the sample decides the fan's mode (mode.go); every rule that may judge in that
// mode (when.go) gives its word (one file a condition); and the words become
// changes, where a cause silences what it explains (silence.go).
//
// What holds for every rule: a value that is missing, stale or marked is not
// judged; what cannot be judged keeps its last state; a gap in the readings
// neither counts nor resets (hold.go).
package rules

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Engine holds the state of every fan and gateway of one fleet. It is not
// safe for use by several goroutines at once.
type Engine struct {
	fleet     *config.Fleet
	fans      map[reading.FanID]*fan
	gateways  map[reading.GatewayID]*gateway
	buildings map[reading.BuildingID][]*fan
	out       []condition.Transition
	sample    sample
	unknown   uint64
	late      uint64
	shapes    *shapes // of what is remembered; nil until something is to be written or recalled
}

// New returns an engine that has seen nothing yet of fleet.
func New(fleet *config.Fleet) *Engine {
	e := &Engine{}
	e.adopt(fleet)
	return e
}

// Unknown counts the readings of fans that are not in the fleet.
func (e *Engine) Unknown() uint64 { return e.unknown }

// Late counts the readings that were not newer than their fan's last one.
func (e *Engine) Late() uint64 { return e.late }

// Observe takes one reading and returns the changes that it brings, in the
// order of cause before consequence. The slice is valid until the next call.
//
// A reading that is not newer than its fan's last one, or of a fan that is not
// in the fleet, is counted and changes nothing. The airflow of a fan whose
// probe gives a velocity pressure is filled in.
func (e *Engine) Observe(r *reading.Reading) []condition.Transition {
	e.out = e.out[:0]
	f := e.fans[r.Fan]
	if f == nil {
		e.unknown++
		return nil
	}
	if !f.advance(r.Time) {
		e.late++
		return nil
	}
	f.cfg.Complete(r)
	s := &e.sample
	f.take(r, s)
	e.hear(f, s)
	f.decideMode(s)
	f.watchMoves(s)
	f.watchStill(s)
	e.hearValues(f, s)
	for i := range f.rules {
		e.judge(f, &f.rules[i], s)
	}
	return e.out
}

// judge asks one rule for its word on a sample and acts on it. The rules of a
// fan stand in the order of cause before consequence, so the causes have had
// theirs.
func (e *Engine) judge(f *fan, j *judged, s *sample) {
	l := &j.life
	if !l.setting.Enabled {
		return
	}
	word := j.ask(f, s)
	if j.doubter != nil {
		j.doubting = j.doubter.doubts(f, s)
	}
	if word != condition.CannotJudge {
		l.state = word
	}
	if word == condition.Present {
		e.begin(f, j, s)
	}
	if l.stands && l.state == condition.Absent {
		e.clear(f.source, l, s.r.Time, condition.Recovered)
		l.end()
		f.relieve(j)
	}
	if l.stands {
		e.settle(f, j, s.r.Time)
	}
}

// begin notes on what a condition stands, when its evidence first stands and
// again when it became worse than it was raised for.
func (e *Engine) begin(f *fan, j *judged, s *sample) {
	l := &j.life
	severity := f.severity(j.rule.severity(l.setting), s.r.Time)
	if l.stands && severity <= l.severity {
		return
	}
	if l.stands {
		e.clear(f.source, l, s.r.Time, condition.Superseded)
	}
	l.stands, l.severity = true, severity
	l.since = time.Unix(0, j.rule.since()).In(s.r.Time.Location())
	l.finding = f.careful(j.rule.finding(f, s))
}
