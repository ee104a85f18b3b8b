package config

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"fanwarden/poller/units"
)

// text returns a key's text, or def where it is absent or no text.
func (t *table) text(key, def string) string {
	e := t.take(key)
	if e == nil {
		return def
	}
	s, ok := e.value.(string)
	if !ok {
		t.fault(key, fmt.Sprintf("%q must be a text", key), fmt.Sprintf("put it in quotes: %s = %q", key, fmt.Sprint(e.value)))
		return def
	}
	return s
}

// choice returns one of some words.
func (t *table) choice(key, def string, words ...string) string {
	e := t.take(key)
	if e == nil {
		return def
	}
	s, ok := e.value.(string)
	if !ok || !slices.Contains(words, s) {
		t.fault(key, fmt.Sprintf("%q cannot be %s", key, show(e.value)), Meant(fmt.Sprint(e.value), words))
		return def
	}
	return s
}

// boolean returns true or false.
func (t *table) boolean(key string, def bool) bool {
	e := t.take(key)
	if e == nil {
		return def
	}
	if b, ok := e.value.(bool); ok {
		return b
	}
	if t.cells {
		switch strings.ToLower(fmt.Sprint(e.value)) {
		case "true", "yes":
			return true
		case "false", "no":
			return false
		}
	}
	t.fault(key, fmt.Sprintf("%q cannot be %s", key, show(e.value)), "write true or false"+t.bare())
	return def
}

// integer returns a whole number from low to high.
func (t *table) integer(key string, def, low, high int) int {
	e := t.take(key)
	if e == nil {
		return def
	}
	n, ok := e.value.(int64)
	if text, isText := e.value.(string); isText && t.cells {
		var err error
		n, err = strconv.ParseInt(text, 10, 64)
		ok = err == nil
	}
	if !ok || n < int64(low) || n > int64(high) {
		t.fault(key, fmt.Sprintf("%q cannot be %s", key, show(e.value)),
			fmt.Sprintf("write a whole number from %d to %d%s", low, high, t.bare()))
		return def
	}
	return int(n)
}

// bare tells a TOML file's writer what a spreadsheet's need not know.
func (t *table) bare() string {
	if t.cells {
		return ""
	}
	return ", without quotes"
}

// number returns a plain number.
func (t *table) number(key string, def float64) float64 {
	e := t.take(key)
	if e == nil {
		return def
	}
	var n float64
	ok := true
	switch value := e.value.(type) {
	case int64:
		n = float64(value)
	case float64:
		n = value
	case string:
		var err error
		n, err = strconv.ParseFloat(value, 64)
		ok = t.cells && err == nil
	default:
		ok = false
	}
	if !ok || math.IsNaN(n) || math.IsInf(n, 0) {
		t.fault(key, fmt.Sprintf("%q cannot be %s", key, show(e.value)), "write a plain number without a unit"+t.bare())
		return def
	}
	return n
}

// quantity returns a value with a unit, in d's base unit; ok is false where it
// is absent or wrong.
func (t *table) quantity(key string, d units.Dimension) (value float64, ok bool) {
	text, ok := t.measured(key, d)
	if !ok {
		return 0, false
	}
	value, err := units.Parse(text, d)
	if err != nil {
		t.faultOf(key, err)
		return 0, false
	}
	return value, true
}

// span returns the two ends of "LOW..HIGH UNIT".
func (t *table) span(key string, d units.Dimension) (low, high float64, ok bool) {
	text, ok := t.measured(key, d)
	if !ok {
		return 0, 0, false
	}
	low, high, err := units.ParseRange(text, d)
	if err != nil {
		t.faultOf(key, err)
		return 0, 0, false
	}
	return low, high, true
}

// measured returns the text of a quantity and reports one that is a bare
// number.
func (t *table) measured(key string, d units.Dimension) (string, bool) {
	e := t.take(key)
	if e == nil {
		return "", false
	}
	text, ok := e.value.(string)
	if !ok {
		remedy := "write a value and a unit in quotes"
		switch e.value.(type) {
		case int64, float64:
			remedy = fmt.Sprintf("write both in quotes: %s = \"%v UNIT\"", key, e.value)
		}
		t.fault(key, fmt.Sprintf("%q has no unit", key), remedy+"; the unit is one of "+strings.Join(units.Names(d), ", "))
	}
	return text, ok
}

// faultOf reports an error whose sentence ends in a remedy behind a semicolon.
func (t *table) faultOf(key string, err error) {
	what, remedy := err.Error(), "write a value and a unit in quotes"
	if i := strings.LastIndex(what, "; "); i >= 0 {
		what, remedy = what[:i], what[i+2:]
	}
	t.fault(key, fmt.Sprintf("%q: %s", key, what), remedy)
}

// positive returns a quantity above zero, or def.
func (t *table) positive(key string, d units.Dimension, def float64) float64 {
	value, ok := t.quantity(key, d)
	if !ok {
		return def
	}
	if value <= 0 {
		t.fault(key, fmt.Sprintf("%q must be above zero", key), "write what the drawings or the name plate say, or leave it out")
		return def
	}
	return value
}

// speed returns a speed from 0 to 1.
func (t *table) speed(key string, def float64) (value float64, given bool) {
	value, ok := t.quantity(key, units.Ratio)
	if !ok {
		return def, false
	}
	if value < 0 || value > 1 {
		t.fault(key, fmt.Sprintf("%q is outside 0 to 100 %%", key), "write a speed between 0 % and 100 % (0-10 V is volts / 10)")
		return def, false
	}
	return value, true
}

// longest is the longest time that a file may ask for.
const longest = 100 * 365 * 24 * time.Hour

// duration returns a time of at least least.
func (t *table) duration(key string, def, least time.Duration) time.Duration {
	seconds, ok := t.quantity(key, units.Time)
	if !ok {
		return def
	}
	if seconds > longest.Seconds() {
		t.fault(key, fmt.Sprintf("%q is longer than 100 years", key), "write a shorter time")
		return def
	}
	d := time.Duration(math.Round(seconds * float64(time.Second)))
	switch {
	case d >= least:
		return d
	case least == 0:
		t.fault(key, fmt.Sprintf("%q is below zero", key), `write a time that is not negative, as in "90s"`)
	default:
		t.fault(key, fmt.Sprintf("%q is too short", key), fmt.Sprintf("write %v or more", least))
	}
	return def
}

// show writes a value for a message.
func show(value any) string {
	switch value := value.(type) {
	case string:
		return strconv.Quote(value)
	case int64, float64, bool:
		return fmt.Sprint(value)
	case time.Time:
		return "a date"
	case *table, []*table:
		return "a table"
	}
	return "a list"
}
