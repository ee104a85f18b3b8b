package rules

import (
	"time"

	"fanwarden/rules/condition"
)

// Figures of a speed that turns. (Engineering choices.)
const (
	turnMemory = 2 * time.Hour // in which its share is learned
	turnsKnown = 10            // before anything is said of it, and quietTime
)

// turning follows how often a speed turns, from faster to slower or back, while
// the controller steers it between its limits. A loop that sees its value turns
// all the time, for the value is never quite the same, and it does so also
// where the register is too coarse to show it. One that sees a single value
// does not turn at all: its integral part goes one way, or stands.
//
// Its share is of late: strokes are weighed by how long they took, so that a
// calm hour counts at once.
type turning struct {
	share float32 // of readings at which it turns
	seen  time.Duration
	turns uint8 // in it, as far as they matter

	known  bool // it was steered at the sample before
	going  bool // it moved since
	faster bool // the way that it goes
	speed  float64
	n      int32 // readings of the present stroke
	span   time.Duration
}

// steering is what a sample says of it.
type steering struct {
	steered bool    // it is the controller's own, as it was at the sample before
	between bool    // between its limits
	turned  bool    // it goes the other way
	chance  float64 // that it was to turn
}

// feed takes a sample.
func (t *turning) feed(s *sample) steering {
	between := s.mode == condition.Controlling
	if s.step == 0 || !between && s.mode != condition.AtMax && s.mode != condition.AtMin {
		t.known, t.going, t.n, t.span = false, false, 0, 0
		return steering{}
	}
	now := steering{steered: t.known, between: between}
	if now.steered && between {
		now.chance = t.chance()
		t.n++
		t.span += s.step
	}
	if moved := s.speed != t.speed; now.steered && moved {
		faster := s.speed > t.speed
		if now.turned = t.going && faster != t.faster; now.turned {
			t.learn()
		}
		t.going, t.faster = true, faster
	}
	t.known, t.speed = true, s.speed
	return now
}

// chance is the share once enough was seen.
func (t *turning) chance() float64 {
	if t.seen < quietTime || t.turns < turnsKnown {
		return 0
	}
	return float64(t.share)
}

// learn ends a stroke.
func (t *turning) learn() {
	if t.n > 0 {
		t.turns = min(t.turns+1, turnsKnown)
		t.seen = min(t.seen+t.span, turnMemory)
		t.share += (1/float32(t.n) - t.share) * float32(t.span) / float32(t.seen)
	}
	t.n, t.span = 0, 0
}
