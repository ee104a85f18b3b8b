package turnover

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Cell is one address of a unit.
type Cell struct {
	Table   decode.Table
	Address int
}

// Survey is what the addresses of a unit held, look by look.
type Survey struct {
	Times []time.Time
	Held  map[Cell][]int // by look; below zero where there was no answer
}

// Guess is one way in which a survey's words may give a point.
type Guess struct {
	Place   config.PlacedPoint
	Reasons []string  // parts of a sentence each, for it or against it
	values  []float64 // by look, in the base unit
	score   float64
	still   bool // it never moved, and stands where a speed may stand
}

// Found is a point that a survey seems to hold.
type Found struct {
	Guess          // the one that fits best
	Equal  []Guess // others that fit as well: the words alone do not say which
	Proven *Proof  // what its proof against the fleet file's fan came to; nil: not tried
}

// Proposal is what a survey says of a unit's point map.
type Proposal struct {
	Found   []Found  // the controlled value first, then the speed, then the rest
	Unknown []string // sentences: what the survey does not say
	survey  *Survey
	fan     *config.Fan
	units   units.System
}

// Whole reports whether what every point map must have was found.
func (p *Proposal) Whole() bool {
	return len(p.Found) >= 2 && p.Found[1].Place.Point == reading.Speed
}

// Likely proposes a point map for a unit from what its addresses held. What the
// fleet file says of the fan is gone by; fan is nil where no fan is known. It
// never chooses between two ways that fit alike without saying so, and leaves out
// what it has not seen.
func Likely(s *Survey, fan *config.Fan, system units.System) *Proposal {
	p := &Proposal{survey: s, fan: fan, units: system}
	g := newGuessing(s, fan)
	g.pair(p)
	if !p.Whole() {
		return p
	}
	g.setpoint(p)
	g.contacts(p)
	g.settings(p)
	g.counters(p)
	g.left(p)
	p.prove()
	return p
}

// guessing is the work on one survey.
type guessing struct {
	fan     *config.Fan
	survey  *Survey
	cells   []Cell
	numbers []number
	holding []number // those that never move and are not zero
	taken   map[Cell]bool
	order   decode.Order // that most of the unit's registers speak for
}

func newGuessing(s *Survey, fan *config.Fan) *guessing {
	g := &guessing{survey: s, fan: fan, taken: make(map[Cell]bool)}
	for c := range s.Held {
		g.cells = append(g.cells, c)
	}
	slices.SortFunc(g.cells, func(a, b Cell) int {
		if a.Table != b.Table {
			return int(b.Table) - int(a.Table) // measured values first
		}
		return a.Address - b.Address
	})
	g.read()
	return g
}

func (g *guessing) take(p config.PlacedPoint) {
	for i := range p.Words() {
		g.taken[Cell{p.Table, p.Address + i}] = true
	}
}

func (g *guessing) free(p config.PlacedPoint) bool {
	for i := range p.Words() {
		if g.taken[Cell{p.Table, p.Address + i}] {
			return false
		}
	}
	return true
}

func overlap(a, b config.PlacedPoint) bool {
	return a.Table == b.Table && a.Address < b.Address+b.Words() && b.Address < a.Address+a.Words()
}

// name writes the place of a guess, as "input 3".
func name(p config.PlacedPoint) string {
	text := fmt.Sprintf("%s %d", p.Table, p.Address)
	if p.Encoding.Bit != decode.NoBit {
		text += fmt.Sprintf(" bit %d", p.Encoding.Bit)
	}
	return text
}

// How much a guess must have for it, with less of which it is not even tried with
// another, and how near two are that fit alike. (Engineering choices: the points of
// a guess are steps of what it takes to prefer one to another, and no probabilities.)
const (
	enough  = 2
	perhaps = 1
	near    = 0.5
)

// rank sorts guesses, of which there is one at least, and parts those that fit best
// alike from the rest.
func rank(guesses []Guess) (first Guess, equal []Guess) {
	slices.SortStableFunc(guesses, func(a, b Guess) int { return cmp.Compare(b.score, a.score) })
	for _, one := range guesses[1:] {
		if one.score >= guesses[0].score-near && len(equal) < 5 {
			equal = append(equal, one)
		}
	}
	return guesses[0], equal
}

func (g *Guess) weigh(points float64, format string, args ...any) {
	g.score += points
	if format != "" {
		g.Reasons = append(g.Reasons, fmt.Sprintf(format, args...))
	}
}

func (g *Guess) last() float64 {
	if real := good(g.values); len(real) > 0 {
		return real[len(real)-1]
	}
	return 0
}
