package units

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// Parse reads a quantity as people write it in a fleet file: a number, an
// optional space and a unit of dimension d ("-0.12 inH2O", "20%", "90s").
// It returns the value in d's base unit. Times may also be written the way
// durations are in Go ("1h30m").
//
// The error says what is wrong and which units would do; it does not repeat
// the place, which the caller knows.
func Parse(text string, d Dimension) (float64, error) {
	number, name := split(text)
	if d == Time {
		if t, err := time.ParseDuration(strings.TrimSpace(text)); err == nil {
			return t.Seconds(), nil
		}
	}
	if number == "" {
		return 0, fmt.Errorf("%q has no number; write a value and a unit, as in %q", text, example(d))
	}
	value, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, fmt.Errorf("%q is not a number; write a value and a unit, as in %q", number, example(d))
	}
	if name == "" {
		return 0, fmt.Errorf("%q has no unit; write it behind the number: %s", text, oneOf(d))
	}
	unit, known := Find(name)
	if !known {
		return 0, fmt.Errorf("%q is not a unit that is known; write %s", name, oneOf(d))
	}
	if unit.Dimension != d {
		return 0, fmt.Errorf("%s is a unit of %s, and %s is wanted; write %s", name, unit.Dimension, d, oneOf(d))
	}
	return unit.Base(value), nil
}

// ParseRange reads "LOW..HIGH UNIT", as in "-500..500 Pa", and returns both
// ends in d's base unit, the lower one first.
func ParseRange(text string, d Dimension) (low, high float64, err error) {
	ends := strings.SplitN(text, "..", 2)
	if len(ends) != 2 {
		return 0, 0, fmt.Errorf("%q is not a range; write both ends and a unit, as in \"-500..500 %s\"", text, Names(d)[0])
	}
	_, unit := split(ends[1])
	if low, err = Parse(strings.TrimSpace(ends[0])+" "+unit, d); err != nil {
		return 0, 0, err
	}
	if high, err = Parse(ends[1], d); err != nil {
		return 0, 0, err
	}
	if low >= high {
		return 0, 0, fmt.Errorf("%q is empty; its lower end must come first and be below the upper one", text)
	}
	return low, high, nil
}

// split parts a quantity into its number and its unit.
func split(text string) (number, unit string) {
	text = strings.TrimSpace(text)
	end := 0
	for end < len(text) && strings.IndexByte("+-.0123456789", text[end]) >= 0 {
		end++
	}
	// An exponent belongs to the number only if digits follow the e.
	if end > 0 && end < len(text) && (text[end] == 'e' || text[end] == 'E') {
		next := end + 1
		for next < len(text) && strings.IndexByte("+-0123456789", text[next]) >= 0 {
			next++
		}
		if next > end+1 {
			end = next
		}
	}
	return text[:end], strings.TrimSpace(text[end:])
}

func oneOf(d Dimension) string { return strings.Join(Names(d), ", ") }

func example(d Dimension) string {
	examples := map[Dimension]string{Pressure: "-30 Pa", Flow: "850 cfm", Ratio: "20 %", Rotation: "1750 rpm",
		Power: "750 W", Energy: "120 kWh", Time: "90s", Temperature: "20 C", Length: "100 ft", Area: "0.2 m2",
		Density: "1.2 kg/m3"}
	return examples[d]
}
