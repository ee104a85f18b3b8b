package journal

import (
	"encoding/binary"
	"encoding/json"
	"slices"
	"time"

	bolt "go.etcd.io/bbolt"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// turnovers are the records of what was proven when fans were handed over: their
// keys are the fan, a zero, and when the proof began.
var turnovers = []byte("turnovers")

// lastTurnovers is how many records of a fan are kept besides its first, which
// says how it was handed over.
const lastTurnovers = 20

// KeepTurnover keeps the record of a fan's turnover, as JSON that is kept as it
// is, together with the settings that the fan has from then on to keep to. A
// baseline of no time leaves the one that there is. A record that began at the
// same time is replaced. Of a fan the first record and the last 20 are kept.
func (s *Store) KeepTurnover(fan reading.FanID, began time.Time, record []byte, baseline condition.Baseline) error {
	return s.update(func(tx *bolt.Tx) error {
		b := tx.Bucket(turnovers)
		if err := b.Put(turnoverKey(fan, began), record); err != nil {
			return err
		}
		if !baseline.Time.IsZero() {
			if err := put(tx, baselines, []byte(fan), baseline); err != nil {
				return err
			}
		}
		keys := turnoverKeys(b, fan)
		for _, key := range keys[1:max(1, len(keys)-lastTurnovers)] {
			if err := b.Delete(key); err != nil {
				return err
			}
		}
		return nil
	})
}

// Turnover is a record as it is kept.
type Turnover struct {
	Began  time.Time // of the proof, in UTC
	Record json.RawMessage
}

// Turnovers returns the records of a fan that are kept, the newest first.
func (s *Store) Turnovers(fan reading.FanID) (records []Turnover, err error) {
	err = s.view(func(tx *bolt.Tx) error {
		b := tx.Bucket(turnovers)
		for _, key := range turnoverKeys(b, fan) {
			records = append(records, Turnover{began(key), slices.Clone(b.Get(key))})
		}
		return nil
	})
	slices.Reverse(records)
	return records, err
}

// turnoverKey sorts a fan's records by time, those before 1970 too.
func turnoverKey(fan reading.FanID, began time.Time) []byte {
	return binary.BigEndian.AppendUint64(prefix(fan), uint64(began.UnixNano())^1<<63)
}

// began is when the proof began whose key this is.
func began(key []byte) time.Time {
	return time.Unix(0, int64(binary.BigEndian.Uint64(key[len(key)-8:])^1<<63)).UTC()
}

// turnoverKeys returns the keys of a fan's records, the oldest first.
func turnoverKeys(b *bolt.Bucket, fan reading.FanID) (keys [][]byte) {
	own := len(turnoverKey(fan, time.Time{}))
	c := b.Cursor()
	for key, _ := c.Seek(prefix(fan)); len(key) == own && string(key[:own-8]) == string(prefix(fan)); key, _ = c.Next() {
		keys = append(keys, slices.Clone(key))
	}
	return keys
}
