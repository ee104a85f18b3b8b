package main

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// notes looks at every fan for what may be raised of it and be literally so,
// whatever its fault: that it draws more than its setpoint at its lowest speed (a
// tall riser in winter does so by itself), and that its reading is at the end of
// what its sensor can (a fan at its top may pull more than that).
type notes struct {
	atMin atMinEye
	cfg   *config.Fan
	spans map[condition.Name]*spans
}

func newNotes(cfg *config.Fan) *notes {
	return &notes{atMin: atMinEye{eye: eye{cfg: cfg}}, cfg: cfg, spans: map[condition.Name]*spans{
		condition.PinnedAtMin: {hold: cfg.Rules[condition.PinnedAtMin].Hold}, condition.SensorOutOfRange: {hold: cfg.Rules[condition.SensorOutOfRange].Hold}}}
}

func (n *notes) see(r *reading.Reading) {
	n.spans[condition.PinnedAtMin].see(r.Time, n.atMin.is(r))
	value, ok := r.Get(n.cfg.Controlled())
	n.spans[condition.SensorOutOfRange].see(r.Time, ok && n.cfg.HasProbeRange && atTheEnd(n.cfg, value))
}

// holds reports whether what was raised is so.
func (n *notes) holds(c *condition.Transition) bool {
	s := n.spans[c.Condition]
	return s != nil && s.holds(c.Time)
}

// spans are the times at which something was so.
type spans struct {
	hold time.Duration
	all  [][2]time.Time
}

// ajar is an interruption that ends no span.
const ajar = 5 * minute

func (s *spans) see(now time.Time, is bool) {
	if last := len(s.all) - 1; is && last >= 0 && now.Sub(s.all[last][1]) <= ajar {
		s.all[last][1] = now
	} else if is {
		s.all = append(s.all, [2]time.Time{now, now})
	}
}

// holds reports whether it had been so for the hold, but for a minute, at a time.
func (s *spans) holds(at time.Time) bool {
	for _, span := range s.all {
		if !at.Before(span[0].Add(s.hold-minute)) && !at.After(span[1].Add(ajar)) {
			return true
		}
	}
	return false
}
