package main

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// frozenEye: one value is repeated while the speed moves by 15 points, and for
// an hour more, which is the limit too.
type frozenEye struct {
	cfg       *config.Fan
	value     float64
	begun     bool
	low, high float64 // of the speed since the value began to repeat
	moved     time.Time
	at        time.Time
}

const (
	farSpeed    = 0.15
	frozenLimit = 60 * minute
)

func (p *frozenEye) see(r *reading.Reading) {
	speed, hasSpeed := r.Get(reading.Speed)
	value, hasValue := r.Get(p.cfg.Controlled())
	if !hasSpeed || !hasValue || !p.at.IsZero() {
		return
	}
	if !p.begun || value != p.value {
		p.begun, p.value, p.low, p.high, p.moved = true, value, speed, speed, time.Time{}
		return
	}
	p.low, p.high = min(p.low, speed), max(p.high, speed)
	if p.moved.IsZero() && p.high-p.low >= farSpeed {
		p.moved = r.Time
	}
	if !p.moved.IsZero() && r.Time.Sub(p.moved) >= frozenLimit {
		p.at = p.moved
	}
}

func (p *frozenEye) shown() (time.Time, time.Duration) { return p.at, frozenLimit }

// rangeEye: the value stands at the end of what the fleet file says that the
// sensor can read, but for half a percent, for ten minutes.
type rangeEye struct {
	cfg   *config.Fan
	stood episode
}

func (p *rangeEye) see(r *reading.Reading) {
	value, ok := r.Get(p.cfg.Controlled())
	p.stood.see(r.Time, ok && p.cfg.HasProbeRange && atTheEnd(p.cfg, value))
}

func (p *rangeEye) shown() (time.Time, time.Duration) { return p.stood.at, 10 * minute }

func atTheEnd(cfg *config.Fan, value float64) bool {
	near := 0.005 * (cfg.ProbeHigh - cfg.ProbeLow)
	return value >= cfg.ProbeHigh-near || value <= cfg.ProbeLow+near
}

// repeatsEye looks at all fans of a gateway: readings are repeated to the last
// digit while the fans' registers part from them, for 30 minutes of such time.
type repeatsEye struct {
	truth func(reading.FanID, *reading.Reading)
	fans  map[reading.FanID]*config.Fan
	last  map[reading.FanID]reading.Reading
	stood total
}

func newRepeatsEye(f *field.Field, gateway *config.Gateway) *repeatsEye {
	p := &repeatsEye{truth: f.Reading, fans: make(map[reading.FanID]*config.Fan), last: make(map[reading.FanID]reading.Reading),
		stood: total{need: 30 * minute, grace: 3 * gateway.PollEvery}}
	for _, fan := range f.Fleet().Fans {
		if fan.Gateway == gateway {
			p.fans[fan.ID] = fan
		}
	}
	return p
}

func (p *repeatsEye) see(r *reading.Reading) {
	cfg, last := p.fans[r.Fan], p.last[r.Fan]
	if cfg == nil || !r.Outcome.Answered() {
		return
	}
	p.last[r.Fan] = *r
	last.Time = r.Time
	var truth reading.Reading
	p.truth(r.Fan, &truth)
	p.stood.see(r.Time, last == *r && parted(cfg, r, &truth))
}

func (p *repeatsEye) shown() (time.Time, time.Duration) { return p.stood.shown() }

// total adds up evidence that comes and goes, until it is enough.
type total struct {
	need, grace time.Duration // a longer time between two sights of it is no evidence
	sum         time.Duration
	last        time.Time
	first, done time.Time
}

func (t *total) see(now time.Time, evidence bool) {
	if !evidence {
		return
	}
	if t.first.IsZero() {
		t.first = now
	} else if step := now.Sub(t.last); step <= t.grace {
		t.sum += step
	}
	t.last = now
	if t.done.IsZero() && t.sum >= t.need {
		t.done = now
	}
}

// shown returns the first sight of it; the limit is when it had added up.
func (t *total) shown() (time.Time, time.Duration) {
	if t.done.IsZero() {
		return time.Time{}, 0
	}
	return t.first, t.done.Sub(t.first)
}

// contactEye: the contact stands open more than five points above where it
// makes, or closed more than five below where it breaks, for longer than its
// delay and two polls. Twenty minutes of such time are the limit.
type contactEye struct {
	cfg   *config.Fan
	poll  time.Duration
	wrong bool
	since time.Time
	stood total
}

const contactMargin = 0.05

func (p *contactEye) see(r *reading.Reading) {
	speed, hasSpeed := r.Get(reading.Speed)
	closed, hasContact := r.Get(reading.HighSpeed)
	if !hasSpeed || !hasContact || !p.cfg.HasHighSpeed {
		return
	}
	wrong := closed != 0 && speed < p.cfg.HighSpeedOffAt-contactMargin || closed == 0 && speed > p.cfg.HighSpeedAt+contactMargin
	if wrong && !p.wrong {
		p.since = r.Time
	}
	p.wrong = wrong
	p.stood.see(r.Time, wrong && r.Time.Sub(p.since) >= p.cfg.HighSpeedDelay+2*p.poll)
}

func (p *contactEye) shown() (time.Time, time.Duration) { return p.stood.shown() }

// settingsEye: a setting that is read back differs from what it was before the
// fault by more than rounding, for 30 minutes.
type settingsEye struct {
	was   map[reading.Point]float64
	stood episode
}

// learn takes a reading from before the onset.
func (p *settingsEye) learn(r *reading.Reading) {
	for point := reading.MinSpeed; point <= reading.HighSpeedDelay; point++ {
		if value, ok := r.Get(point); ok {
			p.was[point] = value
		}
	}
}

func (p *settingsEye) see(r *reading.Reading) {
	changed := false
	for point, was := range p.was {
		value, ok := r.Get(point)
		changed = changed || ok && math.Abs(value-was) > 0.02*math.Abs(was)
	}
	p.stood.see(r.Time, changed)
}

func (p *settingsEye) shown() (time.Time, time.Duration) { return p.stood.at, p.stood.need }
