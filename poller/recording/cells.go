package recording

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// float reads a decimal number that is one.
func float(cell string) (float64, bool) {
	v, err := strconv.ParseFloat(cell, 64)
	return v, err == nil && !math.IsNaN(v) && !math.IsInf(v, 0)
}

// onOff reads a contact.
func onOff(cell string) (float64, bool) {
	switch cell {
	case "0", "false":
		return 0, true
	case "1", "true":
		return 1, true
	}
	return 0, false
}

// clock reads times. All fans of one poll often share theirs, so the last one
// is kept.
type clock struct {
	cell string
	at   time.Time
}

// The first and last time that is read, in seconds since 1970: the engine
// counts in nanoseconds and must not run over.
const (
	earliest = 0
	latest   = 9_200_000_000 // in the year 2261
)

// read reads a time and whether the cell is one.
func (c *clock) read(cell string) (time.Time, bool) {
	if cell == c.cell && cell != "" {
		return c.at, true
	}
	at, ok := unixSeconds(cell)
	if !ok {
		var err error
		if at, err = time.Parse(time.RFC3339, cell); err != nil {
			return time.Time{}, false
		}
	}
	if at.Unix() < earliest || at.Unix() > latest {
		return time.Time{}, false
	}
	c.cell, c.at = cell, at.UTC()
	return c.at, true
}

// unixSeconds reads seconds since 1970, with up to nine decimals or none.
func unixSeconds(cell string) (time.Time, bool) {
	whole, decimals, point := strings.Cut(cell, ".")
	seconds, err := strconv.ParseUint(whole, 10, 63)
	if err != nil || point && (decimals == "" || len(decimals) > 9) {
		return time.Time{}, false
	}
	nanos := uint64(0)
	if point {
		if nanos, err = strconv.ParseUint(decimals, 10, 64); err != nil {
			return time.Time{}, false
		}
		for range 9 - len(decimals) {
			nanos *= 10
		}
	}
	return time.Unix(int64(seconds), int64(nanos)), true
}
