package rules

import (
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *controllerFault) finding(f *fan, s *sample) condition.Finding {
	doing := "runs at " + f.percent(s.speed)
	if f.mode.resting {
		doing = "stands"
	}
	return condition.Finding{
		Summary: "the controller has reported a fault of its own for " + units.Span(c.stand.stood) + "; the fan " + doing,
		Evidence: []condition.Number{{Name: "fault", Value: 1}, {Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: c.stand.stood.Seconds()}},
		Causes: c.causes(f, s),
	}
}

// causes ranks what a controller complains of by what its fan does: one that
// works as it should may have its point the wrong way round, one that stands or
// whose wheel does not turn has tripped.
func (c *controllerFault) causes(f *fan, s *sample) []condition.Cause {
	trip := condition.Cause{What: "the drive or motor has tripped: overload, overheated, a phase lost",
		Check: "read the code on the controller's display and look it up in its manual before anything is reset; the fan may start by itself"}
	sensor := condition.Cause{What: "its sensor has failed, by the controller's own judgement",
		Check: "see on the trend whether the reading left what is usual just before"}
	wired := condition.Cause{What: "the point is wired or mapped the other way round",
		Check: "if the fan works as it should, compare the point with the controller's display: the map may want invert = true"}
	trip = supported(trip, f.mode.resting, "the fan stands")
	if after := time.Duration(c.stand.since - f.mode.startAt); f.mode.started && after >= 0 && after <= time.Minute {
		trip.Speaks = "it began within a minute of a start"
	}
	if rpm, ok := finite(s.r.Get(reading.RPM)); ok && rpm < 1 && !f.mode.resting {
		trip.Speaks = "it is commanded to " + f.percent(s.speed) + " and its rpm reads 0"
	}
	if on, ok := finite(s.r.Get(reading.Proof)); ok && on == 0 && !f.mode.resting {
		trip.Speaks = "it is commanded to " + f.percent(s.speed) + " and its proof is off"
	}
	switch {
	case f.worth(s.r).Worthless():
		sensor.Speaks = "the controller marks its reading as none"
	case f.endOf(s) != noEnd:
		sensor.Speaks = "it reads " + f.show(s.value) + ", at an end of what its sensor can read"
	}
	holds := s.judgeable() && s.mode == condition.Controlling && math.Abs(s.short()) <= s.tolerance
	if holds && trip.Speaks == "" {
		wired.Speaks = "the fan holds its setpoint at " + f.percent(s.speed) + " all the same"
	}
	return likeliest(trip, sensor, wired)
}
