package daemon

import (
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/cmd/fanwarden/internal/lend"
	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// startLending lends gateways to turnovers, and keeps their records. Without a
// store there is nowhere to meet; a folder in which it cannot serve stops
// nothing else.
func (d *Daemon) startLending() {
	d.warnOfForced("")
	if d.fleet.Store.Dir == "" {
		return
	}
	server, err := lend.Serve(d.fleet.Store.Dir, lend.Lender{Lend: d.lend, Keep: d.keep, First: d.desk.firstTurnover, Log: d.log})
	if err != nil {
		d.log.Warn("turnover cannot borrow gateways", zap.Error(err))
		return
	}
	d.undo = append(d.undo, server.Close)
}

// lend leaves a gateway alone until back is called. Its fans have no readings
// meanwhile, so what stands of them stays, and nothing new is found.
func (d *Daemon) lend(id reading.GatewayID) (back func(), err error) {
	taken, err := d.poller.Lend(id)
	if err != nil {
		return nil, err
	}
	d.judge.setLent(id, true)
	return func() {
		d.judge.setLent(id, false)
		taken()
		d.warnOfForced(id)
	}, nil
}

// warnOfForced says which fans an exercise has left forced: all of them, or those
// behind a gateway that was taken back right now. Of those none is exercised any
// more, even where the program that did has not quite ended.
func (d *Daemon) warnOfForced(back reading.GatewayID) {
	fleet := d.judge.currentFleet()
	notes, err := forced.List(fleet.Store.Dir)
	if err != nil {
		d.log.Warn("the store cannot be searched for fans that are forced", zap.Error(err))
	}
	d.judge.setLeftForced(notes, back)
	for _, n := range notes {
		if back != "" && gatewayOf(fleet, n.Fan) == back || back == "" && !n.Alive {
			d.log.Warn("this fan may still be forced: an exercise ended without giving it back", zap.String("fan", string(n.Fan)),
				zap.Time("since", n.Since), zap.String("remedy", forced.Advice(n.Fan, fleet)))
		}
	}
}

// keep puts the record of a fan's turnover on disk, from when on its settings
// are held against those that it found. One that was changed since it was sealed
// is refused.
func (d *Daemon) keep(record []byte) error {
	r, err := turnover.ReadRecord(record)
	switch {
	case err != nil:
		return err
	case r.Began.IsZero():
		return errors.New("the record does not say when it began")
	case gatewayOf(d.judge.currentFleet(), reading.FanID(r.Fan.ID)) == "":
		return fmt.Errorf("there is no fan %q in the fleet file that the daemon has loaded", r.Fan.ID)
	}
	if err := d.desk.keepTurnover(r, record); err != nil {
		return err
	}
	d.judge.recallBaselines()
	return nil
}

// keepTurnover writes a record and takes its baseline over. A record that found
// no settings leaves the baseline that there is.
func (d *desk) keepTurnover(r *turnover.Record, record []byte) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.store == nil {
		return errors.New("the store is down, so the record was not kept: see the log of the daemon, then give the record again")
	}
	fan, found := reading.FanID(r.Fan.ID), baselineOf(r)
	if err := d.store.KeepTurnover(fan, r.Began, record, found); err != nil {
		d.wrote(err)
		return fmt.Errorf("the record was not kept: %w; make room on the disk of [store] dir, then give the record again", err)
	}
	if !found.Time.IsZero() {
		d.baselines[fan] = found
	}
	return nil
}

// Turnovers returns the records of a fan that are kept, the newest first.
func (d *desk) Turnovers(fan reading.FanID) ([]turnover.Kept, error) {
	store, _ := d.unwritten()
	if store == nil {
		return nil, nil
	}
	records, err := store.Turnovers(fan)
	kept := make([]turnover.Kept, len(records))
	for i, r := range records {
		kept[i] = turnover.Kept{Began: r.Began, JSON: r.Record}
	}
	return kept, err
}

// firstTurnover returns the first record of a fan, nil where there is none.
func (d *desk) firstTurnover(fan reading.FanID) (record []byte, err error) {
	d.mu.Lock()
	store := d.store
	d.mu.Unlock()
	switch {
	case store != nil:
		return firstOf(store, fan)
	case d.dir != "":
		return nil, errors.New("the store of the daemon is down: see its log")
	}
	return nil, nil
}

// setLent shows that a gateway is left to a turnover, or is taken back.
func (j *judge) setLent(id reading.GatewayID, lent bool) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.board.SetLent(id, lent)
}

// setLeftForced shows which fans may still be forced.
func (j *judge) setLeftForced(notes []forced.Note, back reading.GatewayID) {
	j.mu.Lock()
	defer j.mu.Unlock()
	left := make(map[reading.FanID]*time.Time)
	for _, n := range notes {
		if !n.Alive || gatewayOf(j.fleet, n.Fan) == back {
			left[n.Fan] = &n.Since
		}
	}
	for _, f := range j.fleet.Fans {
		j.board.SetLeftForced(f.ID, left[f.ID])
	}
}

// currentFleet is the fleet that is watched.
func (j *judge) currentFleet() *config.Fleet {
	j.mu.Lock()
	defer j.mu.Unlock()
	return j.fleet
}

// gatewayOf is the gateway of a fan; "" for a fan that is not in the fleet.
func gatewayOf(fleet *config.Fleet, id reading.FanID) reading.GatewayID {
	for _, f := range fleet.Fans {
		if f.ID == id {
			return f.Gateway.ID
		}
	}
	return ""
}

// recallKept takes the fans that are out of service from judgement, and tells the
// rules the settings that were found at turnover.
func (j *judge) recallKept(now time.Time) {
	for fan := range j.desk.Out() {
		j.setOut(fan, true, now)
	}
	j.recallBaselines()
}

// recallBaselines tells the rules the settings that were found at turnover.
func (j *judge) recallBaselines() {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.layBaselines()
}

// layBaselines is recallBaselines for who holds the lock.
func (j *judge) layBaselines() {
	for _, f := range j.fleet.Fans {
		if b, recorded := j.desk.Baseline(f.ID); recorded {
			j.engine.SetBaseline(f.ID, b)
		}
	}
}
