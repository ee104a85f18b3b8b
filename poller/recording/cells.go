package recording

import (
	"math"
	"strconv"
	"strings"
	"time"
)

// exactDigits is how many decimal digits a whole number can have that a float64
// surely holds exactly, as it does powers of ten up to 10^22.
const exactDigits = 15

var tens = [exactDigits + 1]float64{1, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11, 1e12, 1e13, 1e14, 1e15}

// plain reads a number that is a sign, digits and a decimal point only. Of two
// numbers that are exact the quotient is the float64 that is nearest to the
// decimal number, which is what strconv returns in several times as long
// (Clinger, How to Read Floating Point Numbers Accurately, 1990).
func plain(cell string) (value float64, ok bool) {
	digits := cell
	if digits != "" && digits[0] == '-' {
		digits = digits[1:]
	}
	whole, decimals, count := uint64(0), -1, 0
	for i := range len(digits) {
		switch c := digits[i]; {
		case c >= '0' && c <= '9' && count < exactDigits:
			whole = whole*10 + uint64(c-'0')
			count++
		case c == '.' && decimals < 0:
			decimals = count
		default:
			return 0, false
		}
	}
	if count == 0 {
		return 0, false
	}
	value = float64(whole)
	if decimals >= 0 {
		value /= tens[count-decimals]
	}
	if len(digits) < len(cell) {
		value = -value
	}
	return value, true
}

// float reads a decimal number that is one.
func float(cell string) (float64, bool) {
	if len(cell) <= exactDigits+len("-.") {
		if v, ok := plain(cell); ok {
			return v, true
		}
	}
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
	c.cell, c.at = strings.Clone(cell), at.UTC() // the cell is gone with its row
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
