package rules

import "time"

// stroke is how far a speed went one way while the value stood: what a loop
// does with an error that never changes. Its integral part takes it to a limit
// without a turn (Astrom and Hagglund, PID Controllers: Theory, Design, and
// Tuning), while one that follows demand turns with every gust.
type stroke struct {
	from   float64 // speed
	to     float64
	missed float64       // turns to be expected in it
	far    bool          // it went by farSpeed
	moved  time.Duration // since then
}

// (Engineering choices.)
const (
	missedTurns  = 5  // at the least, of those
	missedStroke = 20 // turns and changes of value together
	strokeCounts = 4  // that the value must have, and by which it had to follow
	nearly       = 0.95
)

func (k *stroke) begin(s *sample) { *k = stroke{from: s.speed, to: s.speed} }

// add takes one reading more of the run of equal values. What a stop, a start or
// a hand did is none of the loop's; what went far before stays.
func (k *stroke) add(s *sample) {
	t := s.still.turn
	switch {
	case k.far:
		k.moved += s.step
	case !t.steered:
		k.begin(s)
		return
	}
	if t.turned {
		last := k.to
		k.begin(s)
		k.from = last
	}
	if t.steered {
		k.missed += t.chance
		k.to = s.speed
		k.far = k.far || max(k.to-k.from, k.from-k.to) >= farSpeed-rounding
	}
}

// integrates reports whether the speed goes as that of a loop that sees one
// value, once so many turns and changes are missing together, and by so much
// that the value had to follow by several counts. A value of next to nothing
// may be the end of a sensor that shows no less.
func (c *frozen) integrates(f *fan, s *sample, missing float64) bool {
	k := &c.stroke
	if !k.far || k.missed < missedTurns || k.missed+c.usual < missing {
		return false
	}
	few := nearly * strokeCounts * f.still.count
	effect := f.expect(k.to) - f.expect(k.from)
	return max(effect, -effect) >= few && max(s.value, -s.value) >= max(few, s.tolerance)
}
