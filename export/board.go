package export

import (
	"sync/atomic"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Board collects what is known of the fleet and publishes it as snapshots.
//
// One goroutine at a time may change it; anybody may take the Snapshot at any
// time, and a slow reader of it delays nobody.
type Board struct {
	snapshot  atomic.Pointer[Snapshot]
	fleet     *config.Fleet
	reload    Reload
	version   string
	fans      []*Fan
	gateways  []*Gateway
	delay     Histogram
	incidents []condition.Incident
	alarms    alarm.Figures
	store     Store
	history   History
	fanAt     map[reading.FanID]int
	gateAt    map[reading.GatewayID]int
	own       []bool // whether the fan of that place is in no snapshot yet
	changed   bool
	preparing bool
}

// NewBoard returns a board of a fleet of which nothing is known yet.
func NewBoard(fleet *config.Fleet, version string, now time.Time) *Board {
	b := &Board{version: version}
	b.SetFleet(fleet, now)
	return b
}

// Snapshot returns the last one that was published.
func (b *Board) Snapshot() *Snapshot { return b.snapshot.Load() }

// SetFleet takes a new fleet file. What is known of the fans and gateways
// that are still in it stays.
func (b *Board) SetFleet(fleet *config.Fleet, now time.Time) {
	fans, gateways := b.fans, b.gateways
	fanAt, gateAt := b.fanAt, b.gateAt
	b.fleet, b.reload = fleet, Reload{Good: true, GoodAt: now}
	b.fans, b.fanAt = make([]*Fan, len(fleet.Fans)), make(map[reading.FanID]int, len(fleet.Fans))
	for i, fan := range fleet.Fans {
		next := Fan{}
		if at, known := fanAt[fan.ID]; known {
			next = *fans[at]
			if !next.Fan.SamePolling(fan) {
				next.Raw = nil // the words of other points
			}
		}
		next.Fan = fan
		b.fans[i], b.fanAt[fan.ID] = &next, i
	}
	b.gateways, b.gateAt = make([]*Gateway, len(fleet.Gateways)), make(map[reading.GatewayID]int, len(fleet.Gateways))
	for i, gateway := range fleet.Gateways {
		next := Gateway{}
		if at, known := gateAt[gateway.ID]; known {
			next = *gateways[at]
			if next.Gateway.PollEvery != gateway.PollEvery {
				next.marks = nil // what was held was another period
			}
		}
		next.Gateway = gateway
		b.gateways[i], b.gateAt[gateway.ID] = &next, i
	}
	b.own = make([]bool, len(b.fans))
	b.changed = true
	b.Publish(now)
}

// Prepare says whether the board is still being filled with the past: until
// that is over nobody is told that it is ready.
func (b *Board) Prepare(preparing bool) { b.preparing, b.changed = preparing, true }

// ReloadFailed notes that a new fleet file was not taken.
func (b *Board) ReloadFailed(now time.Time) {
	b.reload.Good = false
	b.changed = true
	b.Publish(now)
}

// fan returns a fan that may be changed, or nil where it is not in the fleet: a
// poll may end after the fan left it. What a snapshot has is left to it, and a
// copy is changed.
func (b *Board) fan(id reading.FanID) *Fan {
	at, known := b.fanAt[id]
	if !known {
		return nil
	}
	if !b.own[at] {
		next := *b.fans[at]
		b.fans[at], b.own[at] = &next, true
	}
	b.changed = true
	return b.fans[at]
}

// SetReading notes a reading of a fan whose words nobody kept.
func (b *Board) SetReading(r *reading.Reading) { b.setReading(r, nil) }

// SetReadings notes what a cycle brought, and the words that the values of each
// reading were made of. Nothing of either is kept.
func (b *Board) SetReadings(all []reading.Reading, words [][]uint16) {
	n := 0
	for i := range words {
		n += len(words[i])
	}
	kept := make([]uint16, 0, n) // one for all, which is less to look after
	for i := range all {
		begin := len(kept)
		if i < len(words) {
			kept = append(kept, words[i]...)
		}
		b.setReading(&all[i], kept[begin:len(kept):len(kept)])
	}
}

func (b *Board) setReading(r *reading.Reading, words []uint16) {
	f := b.fan(r.Fan)
	if f == nil {
		return
	}
	f.Polled, f.Outcome = r.Time, r.Outcome
	if r.Outcome.Answered() {
		f.Values, f.Raw = *r, words
	}
	if f.Fan.Usable(r) {
		f.LastGood = r.Time
	}
}

// SetFanState notes what the rules say of a fan.
func (b *Board) SetFanState(id reading.FanID, mode condition.Mode, verdicts []condition.Verdict, standing []condition.Standing) {
	if f := b.fan(id); f != nil {
		f.Mode, f.Verdicts, f.Standing = mode, verdicts, standing
	}
}

// SetLeftForced notes since when a fan may be forced because an exercise ended
// without giving it back; nil: it is not known to be.
func (b *Board) SetLeftForced(id reading.FanID, since *time.Time) {
	if at, known := b.fanAt[id]; known && (b.fans[at].LeftForced != nil || since != nil) {
		b.fan(id).LeftForced = since
	}
}

// SetGatewayState notes what the rules say of a gateway.
func (b *Board) SetGatewayState(id reading.GatewayID, verdicts []condition.Verdict, standing []condition.Standing) {
	if at, known := b.gateAt[id]; known {
		next := *b.gateways[at]
		next.Verdicts, next.Standing = verdicts, standing
		b.gateways[at], b.changed = &next, true
	}
}

// SetLent notes that a gateway is left to a turnover, or is taken back.
func (b *Board) SetLent(id reading.GatewayID, lent bool) {
	if at, known := b.gateAt[id]; known {
		next := *b.gateways[at]
		next.Lent = lent
		b.gateways[at], b.changed = &next, true
	}
}

// SetIncidents notes what stands of several fans or gateways together. The
// slice is the board's from then on.
func (b *Board) SetIncidents(all []condition.Incident) { b.incidents, b.changed = all, true }

// SetAlarms notes how the alarms and their store do.
func (b *Board) SetAlarms(figures alarm.Figures, store Store) {
	b.alarms, b.store, b.changed = figures, store, true
}

// SetHistory notes how the store of readings does.
func (b *Board) SetHistory(h History) { b.history, b.changed = h, true }

// CountCycle notes that a gateway finished a round: when it started, how long
// it took, how many starts it had missed before, and how each poll in it ended.
func (b *Board) CountCycle(id reading.GatewayID, start time.Time, took time.Duration, missed int, polls []reading.Reading) {
	at, known := b.gateAt[id]
	if !known {
		return
	}
	next := *b.gateways[at]
	next.mark(start)
	next.Cycles++
	next.Missed += uint64(missed)
	next.Last, next.Took = start, took
	next.Duration.Observe(took)
	next.Answered = false
	for i := range polls {
		next.Polls[polls[i].Outcome]++
		next.Answered = next.Answered || polls[i].Outcome.GatewayAnswered()
	}
	b.gateways[at], b.changed = &next, true
}

// CountDelay notes how long after it was due a cycle of any gateway started.
func (b *Board) CountDelay(late time.Duration) {
	b.delay.Observe(late)
	b.changed = true
}

// Publish makes what the board holds the new snapshot, if anything changed
// since the last.
func (b *Board) Publish(now time.Time) {
	if !b.changed {
		return
	}
	b.changed = false
	clear(b.own)
	b.snapshot.Store(&Snapshot{
		Taken: now, Fleet: b.fleet, Reload: b.reload, Version: b.version, Ready: b.ready(),
		Fans: append([]*Fan(nil), b.fans...), Gateways: append([]*Gateway(nil), b.gateways...),
		Delay: b.delay, Incidents: b.incidents, Alarms: b.alarms, Store: b.store, History: b.history,
	})
}

// ready reports whether every gateway that has fans has finished a cycle.
func (b *Board) ready() bool {
	if b.preparing {
		return false
	}
	polled := make(map[reading.GatewayID]bool, len(b.gateways))
	for _, f := range b.fleet.Fans {
		polled[f.Gateway.ID] = true
	}
	for _, g := range b.gateways {
		if polled[g.Gateway.ID] && g.Cycles == 0 {
			return false
		}
	}
	return true
}
