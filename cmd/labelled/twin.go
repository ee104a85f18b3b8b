package main

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// twins are some fans of a campus as they would be without any trouble: the
// same seed, plants and weather.
type twins struct{ field *field.Field }

// newTwins returns the twins of fans, nil where there are none.
func (c *campus) newTwins(fans []*config.Fan) *twins {
	if len(fans) == 0 {
		return nil
	}
	fleet := *c.fleet
	fleet.Fans = fans
	return &twins{field.New(&fleet, c.seed, c.start)}
}

// step keeps the twins in step with the campus.
func (t *twins) step(d time.Duration) {
	if t != nil {
		t.field.Step(d)
	}
}

// twinEye: the readings part from those of the same fan without the trouble,
// for two minutes: by more than the tolerance, by five points of speed, or in
// a contact. It serves the conditions that are defined without figures.
type twinEye struct {
	twins *twins
	cfg   *config.Fan
	stood episode
}

func (p *twinEye) see(r *reading.Reading) {
	if !r.Outcome.Answered() || p.twins == nil {
		return
	}
	var twin reading.Reading
	p.twins.field.Reading(r.Fan, &twin)
	p.stood.see(r.Time, parted(p.cfg, r, &twin))
}

func (p *twinEye) shown() (time.Time, time.Duration) { return p.stood.at, 60 * minute }

// parted reports whether two readings of a fan differ in what matters.
func parted(cfg *config.Fan, a, b *reading.Reading) bool {
	tolerance := 0.15 * math.Abs(cfg.Setpoint)
	if !cfg.ControlsAirflow {
		tolerance = max(tolerance, 5)
	}
	differ := func(p reading.Point, by float64) bool {
		x, known := a.Get(p)
		y, too := b.Get(p)
		return known && too && math.Abs(x-y) > by
	}
	if differ(cfg.Controlled(), tolerance) || differ(reading.Speed, 0.05) {
		return true
	}
	for _, contact := range []reading.Point{reading.HighSpeed, reading.Enable, reading.Override, reading.Fault} {
		if differ(contact, 0.5) {
			return true
		}
	}
	return false
}
