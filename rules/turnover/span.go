package turnover

import (
	"fmt"
	"math"
	"strconv"
	"time"

	"fanwarden/poller/reading"
)

// A map shows the speed as the share of the whole signal, or counts it from the
// lowest speed on, where motors of this kind run slowest (2 V of 10 V, a fifth:
// common practice of the trade, no source). Which of the two is proven: a fan that
// runs shows less than its lowest speed through a map of the second kind only.

// nearly is how far a speed may be from the lowest one and still be it, and slowFor
// how long it must be below to be no passage to a stop or from one. (Engineering
// choices.)
const (
	nearly  = 0.03
	slowFor = 10 * time.Second
)

// speed judges the commanded speed: within its range, and never below the lowest
// running speed while the fan runs.
func (t *trace) speed(values []float64) found {
	if f, bad := t.beyond(reading.Speed, values); bad {
		return f
	}
	real := good(values)
	low, high := extent(real)
	write := func(v float64) string { return t.write(reading.Speed, v) }
	reads := write(median(real))
	if f, bad := t.tooSlow(values); bad {
		return f
	}
	if f, bad := t.againstRPM(values); bad {
		return f
	}
	lowest := write(t.fan.MinSpeed)
	switch slowest := t.slowest(values); {
	case low == high && t.fan.HasHighSpeed && math.Abs(low-t.fan.HighSpeedAt) > apart && changes(good(t.series[reading.HighSpeed])) > 0:
		return fails("reads %s and did not move in %s, and the high-speed contact turned meanwhile: the point is dead, or another one", reads, lasting(t.lasted()))
	case high < t.fan.StoppedBelow && t.mostlyAtSetpoint():
		return notSeen("reads %s while the fan's %s is at setpoint: either it stands still and draught holds that, or the map shows 0 %% at the lowest speed, which is %s of the signal; --exercise tells, or a point that says that it runs", reads, t.fan.Controlled(), lowest)
	case high < t.fan.StoppedBelow:
		return notSeen("reads %s and can be, but the fan stood still: its scale and span are not proven", reads)
	case low == high:
		return notSeen("reads %s and can be, but did not move in %s", reads, lasting(t.lasted()))
	case slowest > t.fan.MinSpeed+margin:
		return passes("reads %s and moves; the lowest speed of %s was not seen, so its span is not proven", t.between(low, high), lowest)
	}
	return passes("reads %s to %s, down to the lowest speed of %s, and moves", write(low), write(high), lowest)
}

// between writes the ends of what was read, or the one where they are written alike.
func (t *trace) between(low, high float64) string {
	from, to := t.write(reading.Speed, low), t.write(reading.Speed, high)
	if from == to {
		return from
	}
	return from + " to " + to
}

// slowest is the lowest speed at which the fan did not stand still.
func (t *trace) slowest(values []float64) float64 {
	low := math.Inf(1)
	for _, v := range values {
		if v >= t.fan.StoppedBelow {
			low = min(low, v)
		}
	}
	return low
}

// atSetpoint reports whether what the fan controls is where a running fan holds it.
// Draught can hold it there as well (check value C5).
func (t *trace) atSetpoint(k int) bool {
	v, sp := t.at(t.fan.Controlled(), k), t.setpoint(k)
	return math.Abs(sp) >= 10 && math.Abs(v-sp) < 0.3*math.Abs(sp)
}

func (t *trace) mostlyAtSetpoint() bool {
	n := 0
	for k := range t.looks {
		if t.atSetpoint(k) {
			n++
		}
	}
	return n*2 > len(t.looks)
}

// runsSlowly returns the speeds that were read, for long enough in one go, below the
// lowest one of a fan that runs: its wheel turns, or it has a speed at all, or it
// never stops by itself and holds its setpoint.
func (t *trace) runsSlowly(values []float64) []float64 {
	var longest []float64
	from := -1
	for k, v := range values {
		runs := t.turned(k) || v >= t.fan.StoppedBelow || !t.fan.GoesIdle && t.atSetpoint(k)
		if math.IsNaN(v) || v >= t.fan.MinSpeed-nearly || !runs || t.at(reading.Enable, k) == 0 {
			from = -1
			continue
		}
		if from < 0 {
			from = k
		}
		if t.looks[k].Time.Sub(t.looks[from].Time) >= slowFor && k+1-from > len(longest) {
			longest = values[from : k+1]
		}
	}
	return longest
}

// tooSlow judges a speed that stays below the lowest one while the fan runs: its
// scale is off, or the map counts from the lowest speed.
func (t *trace) tooSlow(values []float64) (found, bool) {
	slow := t.runsSlowly(values)
	if len(slow) < 3 {
		return found{}, false
	}
	v := median(slow)
	says := fmt.Sprintf("reads %s, below the lowest speed of %s, while the fan runs", t.write(reading.Speed, v), t.write(reading.Speed, t.fan.MinSpeed))
	if changes(good(values)) == 0 {
		says += ", and does not move: the point may be dead"
	}
	if v >= 0 && v < 1 {
		says += fmt.Sprintf("; if the map shows 0 %% at the lowest speed, this is %s%s", t.write(reading.Speed, t.fan.MinSpeed+(t.fan.MaxSpeed-t.fan.MinSpeed)*v), t.spanned())
	}
	return fails("%s", says), true
}

// spanned says what a map that counts from the lowest speed wants, where it is one
// of the ordinary kind.
func (t *trace) spanned() string {
	place, mapped := t.fan.Placed(reading.Speed)
	e := place.Encoding
	if !mapped || e.Unit.Factor == 0 {
		return ""
	}
	wide := t.fan.MaxSpeed - t.fan.MinSpeed
	number := func(v float64) string { return strconv.FormatFloat(math.Round(v*1e9)/1e9, 'g', 6, 64) }
	return fmt.Sprintf(" and the point wants scale = %s, offset = %s", number(wide*e.Scale), number(e.Unit.From(t.fan.MinSpeed)+wide*e.Offset))
}

// span says what the speed reads where the fan is slowest.
func (t *trace) span() Seen {
	const what = "span of speed"
	values := t.shown
	lowest := t.write(reading.Speed, t.fan.MinSpeed)
	slowest := t.slowest(values)
	switch slow := t.runsSlowly(values); {
	case len(slow) >= 3:
		return seen(what, fails("the speed reads %s while the fan runs, and its lowest speed is %s of the signal: the map may show 0 %% there%s", t.write(reading.Speed, median(slow)), lowest, t.spanned()))
	case math.IsInf(slowest, 1):
		return seen(what, notSeen("the fan did not run, as far as its speed says"))
	case t.stoodAt(values, t.fan.MinSpeed):
		return seen(what, passes("at its lowest the fan reads %s, its share of the whole signal; a map that counts from the lowest speed would show 0 %% there", lowest))
	}
	return seen(what, notSeen("the slowest seen was %s; the fan did not stand at its lowest speed, which is to read %s, and not 0 %%", t.write(reading.Speed, slowest), lowest))
}

// stoodAt reports whether a speed was read three times in a row.
func (t *trace) stoodAt(values []float64, speed float64) bool {
	n := 0
	for _, v := range values {
		if n++; !(math.Abs(v-speed) <= max(0.005, t.fan.Count(reading.Speed))) {
			n = 0
		}
		if n == 3 {
			return true
		}
	}
	return false
}
