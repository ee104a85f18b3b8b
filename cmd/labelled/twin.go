package main

import (
	"math"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// twins are some fans of a campus as they would be without any trouble: the
// same seed, plants and weather.
type twins struct{ field *field.Field }

// fillTwins makes the twins of fans. What is put on fans and is no fault happens
// to their twins as well: it is what neighbours share.
func (c *campus) fillTwins(t *twins, fans []*config.Fan) error {
	if len(fans) == 0 {
		return nil
	}
	fleet := *c.fleet
	fleet.Fans = fans
	t.field = field.New(&fleet, c.seed, c.start)
	for _, fault := range c.shared {
		if slices.ContainsFunc(fans, func(f *config.Fan) bool { return f.ID == fault.Fan }) {
			if err := t.field.Put(fault); err != nil {
				return err
			}
		}
	}
	return nil
}

// step keeps the twins in step with the campus.
func (t *twins) step(d time.Duration) {
	if t.field != nil {
		t.field.Step(d)
	}
}

// weekEye: for two weeks on end a fan's mean speed of the week, while it and its
// twin run, is five points above its twin's. Three weeks are the limit.
type weekEye struct {
	twins *twins
	cfg   *config.Fan
	start time.Time
	sum   float64 // of the difference
	n     int
	week  int
	above int // weeks on end
	at    time.Time
}

const (
	week          = 7 * 24 * time.Hour
	creepingLimit = 3 * week
	morePoints    = 0.05
)

func (p *weekEye) see(r *reading.Reading) {
	var twin reading.Reading
	p.twins.field.Reading(r.Fan, &twin)
	speed, known := r.Get(reading.Speed)
	healthy, too := twin.Get(reading.Speed)
	if at := int(r.Time.Sub(p.start) / week); at != p.week {
		p.end(at)
	}
	if known && too && speed >= p.cfg.StoppedBelow && healthy >= p.cfg.StoppedBelow {
		p.sum, p.n = p.sum+speed-healthy, p.n+1
	}
}

// end ends a week, the next being another.
func (p *weekEye) end(next int) {
	if p.n > 0 && p.sum/float64(p.n) >= morePoints {
		p.above++
	} else {
		p.above = 0
	}
	if p.above == 2 && p.at.IsZero() {
		p.at = p.start.Add(time.Duration(p.week-1) * week)
	}
	p.week, p.sum, p.n = next, 0, 0
}

func (p *weekEye) shown() (time.Time, time.Duration) { return p.at, creepingLimit }

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
