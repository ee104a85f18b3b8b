package rules

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Margins around the limits of speed: what a 0-10 V signal and its reading
// may be off. (Common practice of the trade: two points; RunOn one.)
const (
	atLimit  = config.SpeedMargin
	offLimit = 0.05 // farther away, a fan has left its limit
	atRunOn  = 0.01
	rounding = 1e-9
)

// mode follows what a fan is doing.
type mode struct {
	now      condition.Mode
	speedAt  int64 // when the speed was last good
	hasSpeed bool  // it ever was
	resting  bool  // at rest when the speed was last good
	restedAt int64 // since when
	started  bool  // it was seen to leave rest
	startAt  int64 // when
	turned   bool  // it was seen to start, to stop or to be forced
	turnedAt int64 // when last
	changed  bool  // it turned, or its setpoint was moved, or there was a gap
	changeAt int64 // when last
	enable   contact
	override contact
}

// contact is the last known state of a contact. Where it is mapped and not
// good now, what it last was is taken for as long as two readings count as
// consecutive; then it is not known.
type contact struct {
	known bool
	on    bool
	at    int64
	blind bool // mapped, and its state is not known
}

// see takes what a reading says of the contact. A fan that has no such contact
// by the fleet file cannot miss it.
func (c *contact) see(s *sample, p reading.Point, mapped bool) {
	now, gap := s.now, s.gap
	switch v, good := s.r.Get(p); {
	case good:
		*c = contact{known: true, on: v != 0, at: now}
	case !mapped || s.r.Quality(p) == reading.NotMapped:
		*c = contact{}
	case !c.known || time.Duration(now-c.at) > gap:
		*c = contact{blind: true}
	}
}

// decideMode decides what the fan is doing, from the sample and what went
// before. Without a good speed a fan keeps its mode until the last one is
// stale; then it is unknown.
func (f *fan) decideMode(s *sample) {
	m := &f.mode
	s.was = m.now
	if !s.failed {
		m.enable.see(s, reading.Enable, f.enablePoint)
		m.override.see(s, reading.Override, f.overridePoint)
	}
	if s.hasSpeed {
		if m.hasSpeed {
			s.sinceLast = max(time.Duration(s.now-m.speedAt), 0)
		}
		f.follow(s)
		m.now = f.modeOf(s)
	} else if !m.hasSpeed || time.Duration(s.now-m.speedAt) > s.gap {
		m.now = condition.Unknown
	}
	s.mode = m.now
	if forced := m.now == condition.Forced; forced != (s.was == condition.Forced) && s.was != condition.Unknown {
		m.turn(s.now)
	}
	s.settled = math.MaxInt64
	if m.changed {
		s.settled = max(time.Duration(s.now-m.changeAt), 0)
	}
}

// turn notes that the fan started, stopped or was forced.
func (m *mode) turn(now int64) {
	m.turned, m.turnedAt = true, now
	m.change(now)
}

// change notes that what the fan does is new, and that its pressure needs time
// to follow.
func (m *mode) change(now int64) { m.changed, m.changeAt = true, now }

// follow notes starts and stops.
func (f *fan) follow(s *sample) {
	m := &f.mode
	rest := s.speed < f.cfg.StoppedBelow
	blind := !m.hasSpeed || time.Duration(s.now-m.speedAt) > s.gap
	if rest && (!m.resting || !m.hasSpeed) {
		m.restedAt = s.now
	}
	if !rest && m.hasSpeed && m.resting {
		m.started, m.startAt = !blind, s.now
	}
	if m.hasSpeed && blind {
		m.change(s.now)
	}
	if m.hasSpeed && rest != m.resting {
		m.turn(s.now)
	}
	m.speedAt, m.hasSpeed, m.resting = s.now, true, rest
}

// modeOf names what a fan of known speed is doing.
func (f *fan) modeOf(s *sample) condition.Mode {
	m, cfg := &f.mode, f.cfg
	since := time.Duration(s.now - m.startAt)
	switch {
	case m.enable.known && !m.enable.on:
		return condition.Disabled
	case m.override.known && m.override.on:
		return condition.Forced
	case m.resting && cfg.GoesIdle:
		return condition.Idle
	case m.resting:
		return condition.Stopped
	case m.started && since >= 0 && since < cfg.StartDelay+settling:
		return condition.Starting
	case s.speed >= cfg.MaxSpeed-atLimit-rounding:
		return condition.AtMax
	case cfg.GoesIdle && s.speed <= cfg.IdleBelow+atRunOn+rounding:
		return condition.RunOn
	case s.speed <= cfg.MinSpeed+atLimit+rounding:
		return condition.AtMin
	}
	return condition.Controlling
}

// unsure reports whether it is not known that the fan may run and that its
// speed is its controller's own. A fan that runs is permitted to.
func (f *fan) unsure() bool { return f.mode.override.blind || f.mode.enable.blind && f.mode.resting }
