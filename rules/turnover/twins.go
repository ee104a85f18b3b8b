package turnover

import (
	"fmt"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// twins finds fans that are read from one and the same controller: whatever
// moves, moves alike.
func twins(traces []*trace, proven []Fan) {
	for i := range traces {
		for j := i + 1; j < len(traces); j++ {
			steps, same, doubtful := alike(traces[i], traces[j])
			if doubtful {
				const says = "often reads the same words as %s at the same time, so which of them would be forced cannot be told: look for longer with --for, while one of them runs"
				proven[i].Doubt, proven[j].Doubt = fmt.Sprintf(says, proven[j].Fan.ID), fmt.Sprintf(says, proven[i].Fan.ID)
			}
			switch {
			case steps >= togetherTimes:
				proven[i].Doubt = fmt.Sprintf("is read from one controller with %s: which of them would be forced cannot be told", proven[j].Fan.ID)
				proven[j].Doubt = fmt.Sprintf("is read from one controller with %s: which of them would be forced cannot be told", proven[i].Fan.ID)
				blame(&proven[i], Fail, fmt.Sprintf("took %d steps together with %s, to the same words: both are read from one controller, so a unit id or a gateway is wrong or given twice", steps, proven[j].Fan.ID))
				blame(&proven[j], Fail, fmt.Sprintf("took %d steps together with %s, to the same words: both are read from one controller, so a unit id or a gateway is wrong or given twice", steps, proven[i].Fan.ID))
			case same:
				blame(&proven[i], NotSeen, fmt.Sprintf("reads the same words as %s every time: see that they are not one controller", proven[j].Fan.ID))
				blame(&proven[j], NotSeen, fmt.Sprintf("reads the same words as %s every time: see that they are not one controller", proven[i].Fan.ID))
			}
		}
	}
}

// blame gives the moving points of a fan a worse verdict than they have.
func blame(f *Fan, verdict Verdict, reason string) {
	for at := range f.Proofs {
		p := &f.Proofs[at]
		if moving(p.Place.Point) && p.Verdict < verdict && p.Answered > 0 {
			p.Verdict, p.Reason = verdict, reason
		}
	}
}

// What two fans' words must do to be one controller's. They are read one after
// the other, so a step may fall between the two: 7 looks of 10 need be the same,
// and far fewer may be the same by chance, which the looks beside each other tell
// (engineering choices).
const (
	togetherTimes = 3
	mostAlike     = 0.7
	beyondChance  = 0.3
)

// They may be one controller's, and none of them is to be forced, where far fewer are
// the same: an answer may take longer than a value stands.
const (
	doubtfullyAlike = 0.3
	aboveChance     = 0.2
)

// alike counts the steps that two fans took together, or 0 where they do not go
// together beyond chance while they run. Same is true where all their words that can
// move, and those of their settings, were then always the same, moving or not.
// Doubtful is true where they are not told apart, running or not.
func alike(a, b *trace) (steps int, same, doubtful bool) {
	n := min(len(a.looks), len(b.looks))
	if n <= togetherTimes || !sameSettings(a, b) {
		return 0, false, false
	}
	run := a.running(n-1) && b.running(n-1)
	equal, shifted := 0, 0
	for k := range n {
		if wordsEqual(a, k, b, k) {
			equal++
			if k > 0 && !wordsEqual(a, k, a, k-1) {
				steps++
			}
		}
		if k > 0 && wordsEqual(a, k-1, b, k) {
			shifted++
		}
	}
	at, by := float64(equal)/float64(n), float64(shifted)/float64(n-1)
	same, doubtful = run && equal == n, equal == n || equal >= togetherTimes && at >= doubtfullyAlike && at-by >= aboveChance
	if !run || at < mostAlike || at-by < beyondChance {
		return 0, same, doubtful
	}
	return steps, same, doubtful
}

// wordsEqual compares the moving points of one fan in a look with those of another.
func wordsEqual(a *trace, k int, b *trace, l int) bool {
	compared := 0
	for i, p := range a.points {
		if !moving(p.Point) {
			continue
		}
		j := slices.IndexFunc(b.points, func(q config.PlacedPoint) bool { return q.Point == p.Point })
		if j < 0 {
			return false
		}
		x, y := a.looks[k].Answers[i].Words, b.looks[l].Answers[j].Words
		if len(x) == 0 || !slices.Equal(x, y) {
			return false
		}
		compared++
	}
	return compared >= 2
}

// sameSettings reports whether the settings of two fans read the same, as far as
// both have them.
func sameSettings(a, b *trace) bool {
	for p := reading.MinSpeed; p <= reading.HighSpeedDelay; p++ {
		x, y := good(a.series[p]), good(b.series[p])
		if len(x) > 0 && len(y) > 0 && x[0] != y[0] {
			return false
		}
	}
	return true
}
