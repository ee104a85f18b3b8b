package field

import (
	"math"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Value returns what a fan's registers mean now for a point, in the base unit of
// its dimension, before they are rounded; contacts are 1 or 0. It reports false
// for a fan that the fleet does not have and for a point that the fan cannot
// give, whether or not its point map holds it.
func (f *Field) Value(fan reading.FanID, p reading.Point) (value float64, ok bool) {
	u := f.units[fan]
	if u == nil {
		return 0, false
	}
	return f.value(u, p)
}

func (f *Field) value(u *unit, p reading.Point) (float64, bool) {
	c := &u.controller
	switch p {
	case reading.Pressure, reading.VelocityPressure, reading.Airflow:
		return u.measured(p)
	case reading.Setpoint:
		return c.setpoint, true
	case reading.Speed:
		return c.command, true
	case reading.HighSpeed:
		closed := u.troubles[contactClosed].on || c.high && !u.troubles[contactOpen].on
		return contact(closed != u.troubles[polarityTurned].on), true
	case reading.Enable:
		return contact(!u.troubles[notPermitted].on && (!u.standsBy || u.called)), true
	case reading.Running:
		return contact(c.command > 0), true
	case reading.Proof:
		return contact(u.speed >= 0.05), true
	case reading.Override:
		return contact(c.state == forced), true
	case reading.Fault:
		return contact(u.troubles[tripped].on), true
	case reading.RPM:
		return u.speed * u.wheel.rpm, true
	case reading.Power:
		return u.watts, true
	case reading.Energy:
		return u.energy, true
	case reading.RunHours:
		return u.ran, true
	case reading.ForceSpeed:
		return u.force, true
	case reading.ForceOn:
		return contact(u.forceOn), true
	case reading.HeardAgo:
		return 0, true
	case reading.Heartbeat:
		return float64(f.seconds % 30000), true
	case reading.OutdoorTemperature:
		return f.weather.outdoor, true
	}
	return u.setting(p)
}

// measured returns what the sensor's register means: the sign may be lost there.
func (u *unit) measured(p reading.Point) (float64, bool) {
	value := u.sensor.reads
	if u.troubles[signLost].on {
		value = -value
	}
	switch {
	case p == reading.Pressure:
		return value, !u.cfg.ControlsAirflow
	case p == reading.VelocityPressure:
		return value, u.probe.k > 0
	case u.probe.k > 0:
		return u.probe.flow(value), true
	}
	return value, u.cfg.ControlsAirflow
}

// setting returns a setting as the controller gives it back.
func (u *unit) setting(p reading.Point) (float64, bool) {
	c := &u.controller
	switch p {
	case reading.MinSpeed:
		return c.min, true
	case reading.MaxSpeed:
		return c.max, true
	case reading.IdleBelow:
		return c.idleBelow, c.goesIdle
	case reading.RunOn:
		return c.runOn, c.goesIdle
	case reading.RestartRise:
		return c.restart, c.goesIdle
	case reading.StartDelay:
		return c.startDelay, true
	case reading.StoppedBelow:
		return u.cfg.StoppedBelow, true
	case reading.OverrideSpeed:
		return c.override, true
	case reading.HighSpeedAt:
		return c.highOn, true
	case reading.HighSpeedOffAt:
		return c.highOff, true
	case reading.HighSpeedDelay:
		return c.highDelay, true
	}
	return 0, false
}

func contact(closed bool) float64 {
	if closed {
		return 1
	}
	return 0
}

// Write takes what is written to a fan's force_speed (ratio) or force_on (1 or
// 0), as a turnover exercise does; it reports false for any other point and for NaN. A
// forced speed counts while force_on is 1.
func (f *Field) Write(fan reading.FanID, p reading.Point, value float64) bool {
	u := f.units[fan]
	switch {
	case u == nil, math.IsNaN(value):
		return false
	case p == reading.ForceSpeed:
		u.force = min(max(value, 0), 1)
	case p == reading.ForceOn:
		u.forceOn = value != 0
	default:
		return false
	}
	return true
}

// Reading fills r with what a poll without any trouble on the way would bring
// now: each point that the fan or its gateway maps, rounded as its register
// rounds it, of good quality unless its BACnet device says otherwise. A fan that
// the fleet does not have leaves r empty.
func (f *Field) Reading(fan reading.FanID, r *reading.Reading) {
	r.Clear()
	u := f.units[fan]
	if u == nil {
		return
	}
	r.Fan, r.Gateway, r.Time = u.cfg.ID, u.cfg.Gateway.ID, f.now
	f.fill(u, u.cfg.Gateway.Points, r)
	f.fill(u, u.cfg.Points, r)
	u.cfg.Complete(r)
	if !u.cfg.Usable(r) {
		r.Outcome = reading.Invalid
	}
}

func (f *Field) fill(u *unit, points []config.PlacedPoint, r *reading.Reading) {
	for i := range points {
		placed := &points[i]
		if placed.Point.Output() {
			continue
		}
		if value, ok := f.value(u, placed.Point); ok {
			value, quality := rounded(placed, value)
			if said := u.says(placed.Point); said != reading.Good {
				quality = said
			}
			if quality == reading.Good {
				r.Set(placed.Point, value)
			} else {
				r.Mark(placed.Point, quality)
			}
		}
	}
}

// says returns what a fan's BACnet device says of its own value for a point: good
// but for a trouble of one of its objects.
func (u *unit) says(p reading.Point) reading.Quality {
	sensed := p == reading.Pressure || p == reading.VelocityPressure || p == reading.Airflow
	switch {
	case sensed && u.troubles[objectFault].on:
		return reading.Faulty
	case sensed && u.troubles[outOfService].on:
		return reading.OutOfService
	case p == reading.Speed && u.troubles[overridden].on:
		return reading.Overridden
	case sensed && u.troubles[wrongUnit].on:
		return reading.OtherUnit
	}
	return reading.Good
}

// rounded is a value as it comes back from its register.
func rounded(p *config.PlacedPoint, value float64) (float64, reading.Quality) {
	return p.Encoding.Decode(p.Encoding.Encode(value))
}
