package turnover

import (
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// setting judges a setting, or the setpoint, by what the fleet file says of it.
func (t *trace) setting(p reading.Point, values []float64) found {
	v := median(good(values))
	expected, tolerance := t.expected(p)
	if expected == nil {
		if f, bad := t.beyond(p, values); bad {
			return f
		}
		return passes("reads %s, which can be; the fleet file says nothing of it", t.write(p, v))
	}
	if math.Abs(v-*expected) <= tolerance {
		return passes("reads %s, as the fleet file says", t.write(p, v))
	}
	if t.mirror(p, v, *expected, tolerance) {
		return failsClearly("reads %s, and the fleet file says %s: the same with the other sign, as the pressure has it; what is said there tells which is wrong", t.write(p, v), t.write(p, *expected))
	}
	return fails("reads %s, and the fleet file says %s", t.write(p, v), t.write(p, *expected))
}

// follows judges the wheel's speed or the motor's power: there is some while the
// fan runs, and next to none at standstill.
func (t *trace) follows(p reading.Point, values []float64) found {
	if f, bad := t.beyond(p, values); bad {
		return f
	}
	running, still := t.during(values, t.running), t.during(values, func(k int) bool { return t.state(k) == stopped })
	rated := map[reading.Point]float64{reading.RPM: t.fan.RatedRPM, reading.Power: t.fan.RatedPower}[p]
	reads := t.write(p, median(good(values)))
	switch {
	case len(running) > 0 && median(running) <= 0:
		return fails("reads %s while the fan runs", t.write(p, median(running)))
	case rated > 0 && len(running) > 0 && median(running) > 1.5*rated:
		return fails("reads %s, and the fan is rated at %s", t.write(p, median(running)), t.write(p, rated))
	case len(running) == 0:
		return notSeen("reads %s and can be, but the fan did not run", reads)
	case len(still) > 0 && changes(good(values)) == 0:
		return fails("reads %s, running and at standstill: it is another point, or dead", reads)
	}
	return passes("reads %s while the fan runs", t.write(p, median(running)))
}

// counts judges a counter, which never goes back.
func (t *trace) counts(p reading.Point, values []float64) found {
	if f, bad := t.beyond(p, values); bad {
		return f
	}
	real := good(values)
	for k := 1; k < len(real); k++ {
		if real[k] < real[k-1] {
			return fails("went back from %s to %s, and a counter does not", t.write(p, real[k-1]), t.write(p, real[k]))
		}
	}
	grew := time.Duration((real[len(real)-1] - real[0]) * float64(time.Second))
	if p == reading.RunHours && grew > 2*t.lasted()+time.Hour {
		return fails("grew by %s within %s: its scale or unit is wrong", units.Span(grew), units.Span(t.lasted()))
	}
	return passes("reads %s and never went back", t.write(p, real[len(real)-1]))
}

// heartbeat judges a word that must change.
func (t *trace) heartbeat(values []float64) found {
	switch {
	case changes(good(values)) > 0:
		return passes("changes")
	case t.lasted() < stillFor:
		return notSeen("did not change in %s; look for longer with --for", units.Span(t.lasted()))
	}
	return fails("did not change in %s: the gateway repeats what it once read, or this is another word", units.Span(t.lasted()))
}

// heardAgo judges how long ago the gateway heard from the unit.
func (t *trace) heardAgo(values []float64) found {
	v := median(good(values))
	if old := t.fan.Gateway.StaleAfter.Seconds(); v > old {
		return fails("says that the gateway last heard from this unit %s ago: what it shows is old", units.Span(time.Duration(v*float64(time.Second))))
	}
	return passes("says that the gateway heard from the unit %s ago", units.Span(time.Duration(v*float64(time.Second))))
}
