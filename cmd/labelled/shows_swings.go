package main

import (
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// swingsEye: the speed or the controlled value goes up and down regularly, for
// six cycles and 20 minutes. It ought to be raised within 30 minutes of that.
// Cycles that polls cannot resolve (four polls or less) need not be regular.
type swingsEye struct {
	eye
	poll         time.Duration
	speed, value swings
}

const (
	fewestCycles = 6
	swingsFor    = 20 * minute
	huntingLimit = 30 * minute
	widestSpeed  = 0.04 // that a settled controller moves its speed, peak to peak
)

func (p *swingsEye) see(r *reading.Reading) {
	if !p.eye.see(r) {
		return
	}
	value, _ := r.Get(p.cfg.Controlled())
	p.speed.see(r.Time, p.eye.speed, widestSpeed, 4*p.poll)
	p.value.see(r.Time, value, 1.5*p.tolerance, 4*p.poll)
}

func (p *swingsEye) shown() (at time.Time, limit time.Duration) {
	for _, s := range []*swings{&p.speed, &p.value} {
		if !s.done.IsZero() && (at.IsZero() || s.first.Before(at)) {
			at, limit = s.first, s.done.Sub(s.first)+huntingLimit
		}
	}
	return at, limit
}

// swings follows a signal from turn to turn, a turn being what goes back by more
// than a width, and finds the first run of cycles of nearly the same length.
type swings struct {
	rising      bool
	far         float64 // the extreme since the last turn
	farAt       time.Time
	begun       bool
	crest       time.Time     // of the last upper turn
	since       time.Time     // the run's first crest
	mean        time.Duration // length of a cycle of the run
	cycles      int
	first, done time.Time
}

// slowestCycle is longer than any controller's: what comes and goes more slowly
// is demand.
const slowestCycle = 10 * minute

func (s *swings) see(now time.Time, v, width float64, unresolved time.Duration) {
	if !s.begun {
		s.begun, s.far, s.farAt = true, v, now
	}
	if s.rising == (v > s.far) && v != s.far {
		s.far, s.farAt = v, now
	}
	if math.Abs(v-s.far) < width {
		return
	}
	if s.rising {
		s.cycle(s.farAt, unresolved)
	}
	s.rising, s.far, s.farAt = !s.rising, v, now
}

// cycle takes the time of a crest.
func (s *swings) cycle(at time.Time, unresolved time.Duration) {
	long := at.Sub(s.crest)
	regular := s.cycles == 0 || long <= unresolved && s.mean <= unresolved || long > s.mean/2 && long < 2*s.mean
	switch {
	case s.crest.IsZero() || long > slowestCycle:
		s.since, s.cycles, s.mean = at, 0, 0
	case !regular:
		s.since, s.cycles, s.mean = s.crest, 1, long
	default:
		s.cycles++
		s.mean += (long - s.mean) / time.Duration(min(s.cycles, fewestCycles))
	}
	s.crest = at
	if s.done.IsZero() && s.cycles >= fewestCycles && at.Sub(s.since) >= swingsFor {
		s.first, s.done = s.since, at
	}
}

// cyclingEye: six starts within an hour, within an hour of the sixth.
type cyclingEye struct {
	eye
	rested bool
	starts []time.Time
	at     time.Time
}

func (p *cyclingEye) see(r *reading.Reading) {
	speed, ok := r.Get(reading.Speed)
	if !ok {
		return
	}
	rests := speed < p.cfg.StoppedBelow
	if p.rested && !rests {
		p.starts = append(p.starts, r.Time)
		if n := len(p.starts); p.at.IsZero() && n >= 6 && r.Time.Sub(p.starts[n-6]) <= time.Hour {
			p.at = r.Time
		}
	}
	p.rested = rests
}

func (p *cyclingEye) shown() (time.Time, time.Duration) { return p.at, 60 * minute }

// overrideEye: forced for longer than it may be.
type overrideEye struct{ stood episode }

func (p *overrideEye) see(r *reading.Reading) { p.stood.see(r.Time, r.On(reading.Override)) }

func (p *overrideEye) shown() (time.Time, time.Duration) { return p.stood.at, p.stood.need }

// faultEye: the controller reports a fault for the hold and two polls.
type faultEye struct{ stood episode }

func (p *faultEye) see(r *reading.Reading) { p.stood.see(r.Time, r.On(reading.Fault)) }

func (p *faultEye) shown() (time.Time, time.Duration) { return p.stood.at, p.stood.need }

// mostOverride is how long an override may stand by a fan's rules.
func mostOverride(rules condition.Settings) time.Duration {
	return rules[condition.OverrideLeftOn].OwnDuration(condition.OverrideAtMost)
}
