package turnover

import (
	"encoding/json"
	"time"
)

// Kept is a record as a store has it.
type Kept struct {
	Began time.Time       // of the proof, as the store says
	JSON  json.RawMessage // as it was given; whether it is as it was sealed, Recall tells
}

// ID names a kept record among those of its fan.
func (k *Kept) ID() string { return k.Began.UTC().Format("20060102T150405.000Z") }
