package export

import (
	"slices"
	"time"

	"fanwarden/poller/reading"
)

// How far back a gateway's counts are told apart from all before, and how often
// they are noted for it.
const (
	lately   = time.Hour
	markEach = 5 * time.Minute
)

// counts is what a gateway had counted when one of its cycles started, without
// that cycle.
type counts struct {
	at             time.Time
	cycles, missed uint64
	took           float64 // s, of all cycles together
	polls          [reading.Outcomes]uint64
}

// Lately is what a gateway did within about the last hour, or since the daemon
// began to read it.
type Lately struct {
	Since  time.Time // start of the first cycle that is counted; zero before there is one
	Cycles uint64
	Missed uint64
	Polls  [reading.Outcomes]uint64
	Period time.Duration // mean time from start to start; 0: fewer than two cycles
	Took   time.Duration // mean length of a cycle
}

// Lately returns what the gateway did within about the last hour.
func (g *Gateway) Lately() Lately {
	if len(g.marks) == 0 {
		return Lately{}
	}
	then := g.marks[0]
	l := Lately{Since: then.at, Cycles: g.Cycles - then.cycles, Missed: g.Missed - then.missed, Polls: g.Polls}
	for outcome, n := range then.polls {
		l.Polls[outcome] -= n
	}
	l.Took = time.Duration((g.Duration.Sum - then.took) / float64(max(1, l.Cycles)) * float64(time.Second))
	if l.Cycles > 1 {
		l.Period = g.Last.Sub(then.at) / time.Duration(l.Cycles-1)
	}
	return l
}

// mark notes what is counted as a cycle starts, if it is time to, and drops what
// is too old to be asked for. Earlier snapshots share the old slice, so a new one
// is made.
func (g *Gateway) mark(start time.Time) {
	if n := len(g.marks); n > 0 && start.Sub(g.marks[n-1].at) < markEach {
		return
	}
	old := g.marks
	for len(old) > 1 && start.Sub(old[1].at) >= lately {
		old = old[1:]
	}
	g.marks = append(slices.Clip(slices.Clone(old)), counts{start, g.Cycles, g.Missed, g.Duration.Sum, g.Polls})
}
