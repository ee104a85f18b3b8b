package daemon

import (
	"errors"
	"os"
	"path/filepath"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
	"fanwarden/rules/journal"
	"fanwarden/rules/turnover"
)

// KeepTurnover puts the record of a turnover into the store in a folder that no
// daemon runs on. A daemon that starts there holds the fan's settings against it.
func KeepTurnover(dir string, record []byte) error {
	r, err := turnover.ReadRecord(record)
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return err
	}
	store, _, err := journal.Open(filepath.Join(dir, journalFile))
	if err != nil {
		return err
	}
	return errors.Join(store.KeepTurnover(reading.FanID(r.Fan.ID), r.Began, record, baselineOf(r)), store.Close())
}

// FirstTurnover returns the first record of a fan in the store in a folder that no
// daemon runs on; nil where there is none.
func FirstTurnover(dir string, fan reading.FanID) (record []byte, err error) {
	path := filepath.Join(dir, journalFile)
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	store, _, err := journal.Open(path)
	if err != nil {
		return nil, err
	}
	record, err = firstOf(store, fan)
	return record, errors.Join(err, store.Close())
}

func firstOf(store *journal.Store, fan reading.FanID) (record []byte, err error) {
	kept, err := store.Turnovers(fan)
	if err != nil || len(kept) == 0 {
		return nil, err
	}
	return kept[len(kept)-1].Record, nil
}

// baselineOf is what the fan's settings are held against from its turnover on; one
// of no time where none was read back.
func baselineOf(r *turnover.Record) condition.Baseline {
	if len(r.ReadBack) == 0 {
		return condition.Baseline{}
	}
	return r.Baseline()
}
