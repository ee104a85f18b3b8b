package turnover

import (
	"fmt"
	"math"

	"fanwarden/poller/reading"
)

// apart is how far, in points of speed, a contact's make and break may lie from
// what the fleet file says: the contract's five.
const apart = 0.05

// highSpeed judges the high-speed contact against the speed. One that fits only a
// speed that is counted from the lowest one is a word about the speed.
func (t *trace) highSpeed(values []float64) found {
	f := t.bySpeed(values)
	if f.verdict != Fail || !t.fan.HasHighSpeed {
		return f
	}
	other := *t
	other.series[reading.Speed] = make([]float64, len(t.looks))
	for k := range t.looks {
		other.series[reading.Speed][k] = t.fan.MinSpeed + (t.fan.MaxSpeed-t.fan.MinSpeed)*t.at(reading.Speed, k)
	}
	if other.bySpeed(values).verdict == Pass {
		f.reason += fmt.Sprintf("; it would fit if the speed's map showed 0 %% at the lowest speed of %s", t.write(reading.Speed, t.fan.MinSpeed))
	}
	return f
}

// bySpeed judges the high-speed contact on both sides of its threshold.
func (t *trace) bySpeed(values []float64) found {
	open, closed, lowestClosed, highestOpen := t.bySide(values)
	if open+closed == 0 {
		return notSeen("answers, but no speed was read beside it")
	}
	if !t.fan.HasHighSpeed {
		return t.highSpeedAlone(open, closed, lowestClosed, highestOpen)
	}
	makes, breaks := t.fan.HighSpeedAt, min(t.fan.HighSpeedOffAt, t.fan.HighSpeedAt)
	wrongOpen, wrongClosed := 0, 0
	rightOpen, rightClosed := 0, 0
	for k, v := range values {
		switch speed := t.at(reading.Speed, k); {
		case math.IsNaN(speed) || math.IsNaN(v):
		case v == 0 && speed > makes+apart && t.stood(k, speed):
			wrongOpen++
		case v != 0 && speed < breaks-apart && t.stood(k, speed):
			wrongClosed++
		case v == 0 && speed < breaks-apart:
			rightOpen++
		case v != 0 && speed > makes+apart:
			rightClosed++
		}
	}
	at := t.write(reading.Speed, makes)
	switch {
	case wrongOpen > 0 && wrongClosed > 0:
		return fails("is open above and closed below %s, where it should close: it is inverted", at)
	case wrongClosed > 0 && rightClosed == 0 && rightOpen == 0 && open == 0:
		return fails("is closed at %s though it should close at %s only: it is inverted, or its threshold is lower", t.write(reading.Speed, lowestClosed), at)
	case wrongClosed > 0:
		return fails("is closed at %s though it should close at %s: its threshold is lower than the fleet file says, or the contact is inverted or sticks", t.write(reading.Speed, lowestClosed), at)
	case wrongOpen > 0:
		return fails("is open at %s though it should close at %s: its threshold is higher than the fleet file says, or the contact is inverted or dead", t.write(reading.Speed, highestOpen), at)
	case rightOpen > 0 && rightClosed > 0:
		return passes("is open below and closed above %s", at)
	case rightOpen > 0:
		return notSeen("is open up to %s, as it should be; not yet seen closed", t.write(reading.Speed, highestOpen))
	case rightClosed > 0:
		return notSeen("is closed down to %s, as it should be; not yet seen open", t.write(reading.Speed, lowestClosed))
	}
	return notSeen("the speed stayed within 5 points of the threshold of %s, where either is right", at)
}

// stood reports whether the speed was on the same side in the look before: a
// contact has its delay, and a reading is not of one instant.
func (t *trace) stood(k int, speed float64) bool {
	if k == 0 {
		return false
	}
	before := t.at(reading.Speed, k-1)
	return math.Abs(before-speed) < apart && t.looks[k].Time.Sub(t.looks[k-1].Time) >= t.fan.HighSpeedDelay
}

func (t *trace) bySide(values []float64) (open, closed int, lowestClosed, highestOpen float64) {
	lowestClosed, highestOpen = math.Inf(1), math.Inf(-1)
	for k, v := range values {
		speed := t.at(reading.Speed, k)
		switch {
		case math.IsNaN(v) || math.IsNaN(speed):
		case v != 0:
			closed++
			lowestClosed = min(lowestClosed, speed)
		default:
			open++
			highestOpen = max(highestOpen, speed)
		}
	}
	return open, closed, lowestClosed, highestOpen
}

// highSpeedAlone judges a contact whose threshold the fleet file does not give.
func (t *trace) highSpeedAlone(open, closed int, lowestClosed, highestOpen float64) found {
	switch {
	case open > 0 && closed > 0 && highestOpen > lowestClosed+2*apart:
		return fails("is open at %s and closed at %s: it is inverted, or does not follow the speed", t.write(reading.Speed, highestOpen), t.write(reading.Speed, lowestClosed))
	case open > 0 && closed > 0:
		return passes("is open up to %s and closed from %s on; give high_speed_at to have it judged", t.write(reading.Speed, highestOpen), t.write(reading.Speed, lowestClosed))
	case open > 0:
		return notSeen("is open up to %s; not yet seen closed", t.write(reading.Speed, highestOpen))
	}
	return notSeen("is closed down to %s; not yet seen open", t.write(reading.Speed, lowestClosed))
}

// runs judges a contact that says that the fan runs, by its speed.
func (t *trace) runs(values []float64) found {
	running := t.during(values, func(k int) bool { return t.running(k) && k > 0 && t.running(k-1) })
	still := t.during(values, func(k int) bool { return t.state(k) == stopped && k > 0 && t.state(k-1) == stopped })
	off := func(v float64) bool { return v == 0 }
	on := func(v float64) bool { return v != 0 }
	switch {
	case share(running, off) > 0.5 && (len(still) == 0 || share(still, on) > 0.5):
		return fails("is off while the fan runs: it is inverted or dead, or the wheel does not turn")
	case share(running, off) > 0.5:
		return fails("is off while the fan runs, and at standstill: it is dead, or the wheel does not turn")
	case share(still, on) > 0.5:
		return fails("is on while the fan stands still: it is inverted, or sticks")
	case len(running) > 0 && len(still) > 0:
		return passes("is on while the fan runs and off at standstill")
	case len(running) > 0:
		return notSeen("is on while the fan runs, as it should be; not yet seen off")
	case len(still) > 0:
		return notSeen("is off at standstill, as it should be; not yet seen on")
	}
	return notSeen("answers, but no speed was read beside it")
}

// contact judges a contact that is on or off as it likes, by what the fan may not
// do meanwhile.
func (t *trace) contact(p reading.Point, values []float64) found {
	real := good(values)
	on := share(real, func(v float64) bool { return v != 0 })
	running := len(t.during(values, t.running)) > 0
	switch {
	case p == reading.Enable && on == 0 && running && !t.turnedOff():
		return fails("says that the fan is not permitted to run, and it runs: it is inverted, or another point")
	case p == reading.Fault && on == 1:
		return fails("says that the controller has a fault: look at the controller; if it has none, the contact is inverted")
	case p == reading.Override && on == 1 && t.fan.HasOverride && t.notForced():
		return fails("says that the speed is forced to %s, and it is not: the contact is inverted, or another point", t.write(reading.Speed, t.fan.OverrideSpeed))
	case changes(real) > 0:
		return passes("was seen both off and on")
	case on == 1:
		return notSeen("is on; not yet seen off")
	}
	return notSeen("is off; not yet seen on")
}

// turnedOff reports whether the fan only ran on at the beginning.
func (t *trace) turnedOff() bool { return t.state(len(t.looks)-1) == stopped }

// notForced reports whether the speed was always far from the forced one.
func (t *trace) notForced() bool {
	speeds := good(t.series[reading.Speed])
	return len(speeds) > 0 && share(speeds, func(v float64) bool { return math.Abs(v-t.fan.OverrideSpeed) > apart }) == 1
}
