package condition

import (
	"time"

	"fanwarden/poller/reading"
)

// Baseline is what a fan's controller was set to when it was handed over.
type Baseline struct {
	Time     time.Time                 `json:"time"`
	Settings map[reading.Point]float64 `json:"settings"` // in base units
}
