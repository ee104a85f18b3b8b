package rules

import "math"

// Figures of a lossy line. (Engineering choices.)
const (
	chance     = 1e-7 // of as many lost polls in a row, below which it is none: once in years at a poll in 30 s
	lossMemory = 1000 // polls, over which the rate of loss is averaged
	lossDoubt  = 20   // polls without a loss, as which a rate that is not yet known counts
	tailDoubt  = 4    // failures, likewise for the rate after a failure
	worstLoss  = 0.6  // a line that loses more is asked for no more in a row
)

// loss learns how often a line loses polls that it answers again soon after,
// as a chain of two states (Gilbert 1960, Bell System Technical Journal
// 39:1253-1265): the rate after an answer, and the rate after a failure, because
// losses come in bursts. The counts fade over the last polls.
type loss struct {
	polls  float64
	lost   float64
	after  float64 // polls after a failure
	again  float64 // of these, lost
	run    uint16  // failures in a row now
	outage bool    // so many that they are no loss of the line
}

// count takes the end of one poll. What is learned of a run of failures is
// learned when an answer ends it, and not of an outage.
func (l *loss) count(failed bool) {
	if failed {
		if l.run < math.MaxUint16 {
			l.run++
		}
		l.outage = l.outage || l.run >= lossMemory/10
		return
	}
	if n := float64(l.run); !l.outage {
		l.polls, l.lost = l.polls+n+1, l.lost+n
		if n > 0 {
			l.after, l.again = l.after+n, l.again+n-1
		}
	}
	l.run, l.outage = 0, false
	if fade := lossMemory / l.polls; fade < 1 {
		l.polls, l.lost, l.after, l.again = l.polls*fade, l.lost*fade, l.after*fade, l.again*fade
	}
}

// rate is the part of the polls that the line loses.
func (l *loss) rate() float64 { return l.lost / (l.polls + lossDoubt) }

// beyondChance reports whether a line that loses polls as this one does would
// hardly ever lose as many in a row as it has now.
func (l *loss) beyondChance() bool {
	first := l.rate()
	if first == 0 {
		return true
	}
	next := min((l.again+tailDoubt*first)/(l.after+tailDoubt), worstLoss)
	return math.Log(first)+float64(l.run-1)*math.Log(next) <= math.Log(chance)
}
