package units

import (
	"fmt"
	"math"
	"strconv"
	"time"
)

// System is the set of units that the people of a site are shown.
type System uint8

// The two systems of a fleet file's `units` key.
const (
	Metric System = iota
	Imperial
)

// String returns the name as it stands in the fleet file.
func (s System) String() string {
	if s == Imperial {
		return "imperial"
	}
	return "metric"
}

// shown holds, for each dimension that has one, the unit people are shown and
// the number of decimals that is worth reading in it.
type shown struct {
	unit     string
	decimals int
}

func (s System) shown(d Dimension) shown {
	if s == Imperial {
		switch d {
		case Pressure:
			return shown{"inH2O", 3}
		case Flow:
			return shown{"cfm", 0}
		case Temperature:
			return shown{"F", 0}
		case Length:
			return shown{"ft", 0}
		case Area:
			return shown{"ft2", 2}
		case Density:
			return shown{"lb/ft3", 4}
		case Power:
			return shown{"W", 0}
		}
	}
	metric := map[Dimension]shown{Pressure: {"Pa", 1}, Flow: {"L/s", 0}, Ratio: {"%", 0}, Rotation: {"rpm", 0},
		Power: {"W", 0}, Energy: {"kWh", 1}, Time: {"s", 0}, Temperature: {"C", 0}, Length: {"m", 1},
		Area: {"m2", 3}, Density: {"kg/m3", 3}}
	return metric[d]
}

// Unit returns the unit in which the people of s are shown a dimension. Plain
// numbers have the zero Unit.
func (s System) Unit(d Dimension) Unit {
	u, _ := Find(s.shown(d).unit)
	return u
}

// Decimals returns to how many decimals the people of s are shown a dimension in
// its Unit.
func (s System) Decimals(d Dimension) int { return s.shown(d).decimals }

// Format writes a value, given in its base unit, for people: "-0.120 inH2O",
// "80 %", "22 min". Plain numbers are written as they are.
func (s System) Format(base float64, d Dimension) string {
	if d == Plain {
		return strconv.FormatFloat(base, 'g', -1, 64)
	}
	if d == Time {
		return Span(duration(base))
	}
	how := s.shown(d)
	value := s.Unit(d).From(base)
	if value = round(value, how.decimals); value == 0 {
		value = 0 // never "-0.000"
	}
	return strconv.FormatFloat(value, 'f', how.decimals, 64) + " " + how.unit
}

// duration turns seconds into a Duration; what is longer than one can hold
// (292 years), or no number, becomes the longest.
func duration(seconds float64) time.Duration {
	const longest = math.MaxInt64
	nanoseconds := seconds * float64(time.Second)
	switch {
	case nanoseconds <= -longest:
		return -longest
	case nanoseconds < longest:
		return time.Duration(nanoseconds)
	}
	return longest
}

// Span writes a length of time for people, in its two largest parts: "45 s",
// "22 min", "3 h 5 min", "2 d 4 h".
func Span(d time.Duration) string {
	if d < 0 {
		return "-" + Span(-max(d, -math.MaxInt64))
	}
	seconds := int64(d.Round(time.Second) / time.Second)
	switch {
	case seconds < 120:
		return fmt.Sprintf("%d s", seconds)
	case seconds < 7200:
		return fmt.Sprintf("%d min", seconds/60)
	case seconds < 2*86400:
		return pair(seconds/3600, "h", seconds%3600/60, "min")
	}
	return pair(seconds/86400, "d", seconds%86400/3600, "h")
}

func pair(large int64, largeUnit string, small int64, smallUnit string) string {
	if small == 0 {
		return fmt.Sprintf("%d %s", large, largeUnit)
	}
	return fmt.Sprintf("%d %s %d %s", large, largeUnit, small, smallUnit)
}

func round(v float64, decimals int) float64 {
	p := math.Pow10(decimals)
	return math.Round(v*p) / p
}
