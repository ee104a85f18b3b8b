// Package poller reads the fleet: one worker a gateway, which merges the
// points of its fans into few requests, keeps its period without drift, and
// lets no dead unit starve the others.
package poller

import (
	"time"

	"fanwarden/poller/reading"
)

// Cycle is what one round over all fans of a gateway brought.
type Cycle struct {
	Gateway reading.GatewayID
	Start   time.Time
	Late    time.Duration // from when the cycle was due to its start
	Took    time.Duration
	// Missed counts the starts since the cycle before that fell into a cycle
	// which took too long. They are not made up for.
	Missed int
	// Readings holds one reading for each fan of the gateway, good or failed.
	// The slice is used again: it may not be kept after the sink returns.
	Readings []reading.Reading
	// Words holds for each reading the words that its values were made of, as
	// config.Fan.Raw finds them. What was not answered in this cycle has the words
	// of an earlier one. It is used again like Readings.
	Words [][]uint16
}

// Sink takes the cycles of all gateways. It is called from many goroutines.
type Sink func(*Cycle)
