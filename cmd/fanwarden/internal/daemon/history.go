package daemon

import (
	"path/filepath"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/history"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// historyFolder lies in the store's folder.
const historyFolder = "history"

// recallBatch is how many readings of the past come between two commits.
const recallBatch = 20_000

// keeper passes readings on to the history, if one is kept. Whoever calls it
// holds the judge's lock.
type keeper struct {
	store *history.Store // nil: nothing is kept
	fans  map[reading.FanID]*config.Fan
	past  int // readings of the past since the last commit
}

// startHistory opens the history in the folder that the fleet file gives, or
// else in the other one; without either nothing is kept.
func (d *Daemon) startHistory(other string) {
	dir := other
	if d.fleet.Store.Dir != "" {
		dir = filepath.Join(d.fleet.Store.Dir, historyFolder)
	}
	if dir == "" {
		return
	}
	store := history.Open(history.Options{Dir: dir, Keep: d.fleet.Store.Keep, MaxBytes: int64(d.fleet.Store.KeepMB) * 1e6, Log: d.log})
	d.judge.setHistory(store)
	d.undo = append(d.undo, store.Close)
}

// warnKeep warns that some of the fleet file takes effect at the next start only.
func (d *Daemon) warnKeep(fleet *config.Fleet) {
	if fleet.Store != d.fleet.Store {
		d.log.Warn("a new [store] takes effect at the next start", zap.String("dir", fleet.Store.Dir), zap.Duration("keep", fleet.Store.Keep))
	}
}

func (j *judge) setHistory(store *history.Store) {
	j.mu.Lock()
	defer j.mu.Unlock()
	j.keep.store = store
	j.keep.meet(j.fleet)
}

// meet takes the fans of a fleet file.
func (k *keeper) meet(fleet *config.Fleet) {
	if k.store == nil {
		return
	}
	k.fans = make(map[reading.FanID]*config.Fan, len(fleet.Fans))
	for _, f := range fleet.Fans {
		k.fans[f.ID] = f
	}
	k.store.Forget(fleet)
}

// take keeps a reading. It waits for no disk.
func (k *keeper) take(r *reading.Reading, mode condition.Mode) {
	if fan := k.fans[r.Fan]; fan != nil {
		k.store.Record(fan, r, mode)
	}
}

// recall keeps a reading of the past, which comes faster than a disk may take
// it; so now and then it waits for it.
func (k *keeper) recall(r *reading.Reading, mode condition.Mode) {
	if k.store == nil {
		return
	}
	k.take(r, mode)
	if k.past++; k.past >= recallBatch {
		k.past = 0
		_ = k.store.Flush() // the store tells of it
	}
}

// figures tells how the history does.
func (k *keeper) figures() export.History {
	if k.store == nil {
		return export.History{}
	}
	return k.store.Figures()
}
