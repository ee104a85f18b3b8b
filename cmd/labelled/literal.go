package main

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// notes looks at every fan for what may be raised of a healthy one and yet be
// so: that it draws more than its setpoint at its lowest speed is a note, and a
// tall riser in winter does so by itself.
type notes struct {
	eye   atMinEye
	hold  time.Duration
	spans [][2]time.Time // from when to when it was so, for the hold
}

func newNotes(cfg *config.Fan) *notes {
	return &notes{eye: atMinEye{eye: eye{cfg: cfg}}, hold: cfg.Rules[condition.PinnedAtMin].Hold}
}

func (n *notes) see(r *reading.Reading) {
	s := &n.eye.stood
	s.need, s.grace, s.at = 0, 5*minute, time.Time{}
	was := s.since
	n.eye.see(r)
	if s.last != r.Time {
		return
	}
	if last := len(n.spans) - 1; last >= 0 && s.since.Equal(was) {
		n.spans[last][1] = r.Time
		return
	}
	n.spans = append(n.spans, [2]time.Time{s.since, r.Time})
}

// holds reports whether what was raised is so.
func (n *notes) holds(c *condition.Transition) bool {
	if c.Condition != condition.PinnedAtMin {
		return false
	}
	for _, s := range n.spans {
		if !c.Time.Before(s[0].Add(n.hold-minute)) && !c.Time.After(s[1].Add(5*minute)) {
			return true
		}
	}
	return false
}
