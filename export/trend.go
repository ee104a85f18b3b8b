package export

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Trend is what is kept of one fan over a span of time, in steps.
type Trend struct {
	Fan      reading.FanID
	From, To time.Time
	Step     time.Duration
	// Controlled is what the fan's controller holds at setpoint: Pressure,
	// Airflow or VelocityPressure.
	Controlled reading.Point
	// Buckets are the steps in which something was recorded, in order of time. A
	// step without a reading has no bucket: nobody knows what the fan did then.
	Buckets []Bucket
}

// Bucket is what was recorded in one step, from its start to just before the
// next one's.
type Bucket struct {
	Start    time.Time
	Readings int // all of them, failed ones too
	// Value is of what the controller holds, in Pa or m3/s; Speed is a ratio.
	Value, Speed Extent
	// Setpoint is what stood at the end of the step, in the unit of Value; Known
	// is false where the controller has told none.
	Setpoint      float64
	SetpointKnown bool
	// Closed counts the readings with a closed high-speed contact, Contacts those
	// in which the contact was known.
	Closed, Contacts int
	Modes            [condition.Modes]int
	Outcomes         [reading.Outcomes]int
}

// Extent is how far the good values of a point went within a step, so that a
// spike of a single reading shows in any step.
type Extent struct {
	Count                int // good values; the others are zero where it is
	Min, Max             float64
	First, Last, Average float64
}

// Add takes one more value. Average is their sum until Close is called.
func (e *Extent) Add(v float64) {
	if e.Count == 0 {
		e.First, e.Min, e.Max = v, v, v
	}
	e.Count++
	e.Min, e.Max, e.Last = min(e.Min, v), max(e.Max, v), v
	e.Average += v
}

// Close makes the average of the sum.
func (e *Extent) Close() {
	if e.Count > 0 {
		e.Average /= float64(e.Count)
	}
}

// History says how the store of readings does.
type History struct {
	Used    bool // there is one
	Up      bool // what was last to be written is written
	Written uint64
	// Dropped counts the readings that were not kept, by reason.
	Dropped Dropped
	Bytes   int64     // on disk, as of the last look
	Oldest  time.Time // of the readings kept; zero where there is none
}

// Dropped counts readings that were not kept.
type Dropped struct {
	Full  uint64 // the disk was slow or down, and the queue before it is bounded
	Order uint64 // of a time that is kept already with another value, too old, or far ahead of all others
}
