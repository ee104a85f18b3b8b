package journal

import (
	"bytes"
	"encoding/json"

	bolt "go.etcd.io/bbolt"

	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
)

// Among a year of entries of ten thousand fans, those of one fan are found by a
// second bucket: its keys are the fan, a zero, and the number of the entry.

// prefix is what the keys of a fan's entries begin with.
func prefix(fan reading.FanID) []byte { return append([]byte(fan), 0) }

func noteOfFan(tx *bolt.Tx, e *alarm.Entry, number []byte) error {
	if e.Of() == "" {
		return nil
	}
	return tx.Bucket(ofFans).Put(append(prefix(e.Of()), number...), nil)
}

func dropOfFan(tx *bolt.Tx, e *alarm.Entry, number []byte) error {
	return tx.Bucket(ofFans).Delete(append(prefix(e.Of()), number...))
}

// sortByFan fills the bucket of a file that was written before there was one.
func sortByFan(tx *bolt.Tx) error {
	if tx.Bucket(ofFans) != nil {
		return nil
	}
	if _, err := tx.CreateBucket(ofFans); err != nil {
		return err
	}
	return tx.Bucket(entries).ForEach(func(number, data []byte) error {
		var e alarm.Entry
		if json.Unmarshal(data, &e) != nil {
			return nil // the others do without it
		}
		return noteOfFan(tx, &e, number)
	})
}

// EntriesOf calls yield with the entries about a fan, the newest first, as long
// as it wants more. It takes as long as the fan has entries, however many others
// have; writing goes on meanwhile.
func (s *Store) EntriesOf(fan reading.FanID, yield func(*alarm.Entry) (more bool)) error {
	return s.view(func(tx *bolt.Tx) error {
		all, of, begin := tx.Bucket(entries), tx.Bucket(ofFans).Cursor(), prefix(fan)
		for key := last(of, fan); bytes.HasPrefix(key, begin); key, _ = of.Prev() {
			var e alarm.Entry
			if json.Unmarshal(all.Get(key[len(begin):]), &e) != nil {
				continue // the others do without it
			}
			if !yield(&e) {
				return nil
			}
		}
		return nil
	})
}

// last moves to a fan's last entry, or to another fan's where it has none.
func last(c *bolt.Cursor, fan reading.FanID) (key []byte) {
	if key, _ = c.Seek(append([]byte(fan), 1)); key == nil {
		key, _ = c.Last()
	} else {
		key, _ = c.Prev()
	}
	return key
}
