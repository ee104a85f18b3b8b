package poller

import (
	"context"
	"slices"
	"time"

	"fanwarden/poller/reading"
)

// round is the state of one cycle.
type round struct {
	start, next time.Time
	answers     int             // requests that were answered, if only with a refusal
	failures    int             // tries of units that ended otherwise
	lost        time.Duration   // what these took
	broken      int             // new connections that broke
	second      bool            // units are asked for the second time
	over        bool            // the rest of the units is not asked any more
	outcome     reading.Outcome // of the units that were not asked, when over
}

// fewestFailures is how many units may fail in a cycle before it is ended
// because the next failure would take more than a period off it, all told. One
// lost answer shall cost one reading, however long it is waited for.
const fewestFailures = 2

// fewestBroken is how many new connections in a cycle must break before the
// gateway counts as gone. A single one can be an answer that was lost.
const fewestBroken = 2

// askHealthy asks every unit that answered when it was last asked. After one
// that does not, it goes on from the other end: units that die together are
// often neighbours, and those beyond them shall be asked before the cycle's
// time is gone.
func (w *worker) askHealthy(ctx context.Context) {
	if w.line.away {
		w.round.over, w.round.outcome = true, w.line.outcome
		return
	}
	healthy := w.healthy[:0]
	w.backwards = w.backwards && slices.ContainsFunc(w.units, func(u *unit) bool { return u.passed })
	for _, u := range w.units {
		if u.healthy() {
			healthy = append(healthy, u)
		}
	}
	w.healthy = healthy
	for len(healthy) > 0 && !w.round.over {
		next, rest := healthy[0], healthy[1:]
		if w.backwards {
			last := len(healthy) - 1
			next, rest = healthy[last], healthy[:last]
		}
		healthy = rest
		w.ask(ctx, next)
	}
}

// askIll tries the units that were passed over in the last cycle, and then
// those that did not answer when they were last asked, the one that has waited
// longest first, for as long as there is time. They come after the healthy ones
// so that they take no time from them.
func (w *worker) askIll(ctx context.Context) {
	for !w.round.over {
		u, fits := w.mostDue(time.Now())
		if u == nil {
			return
		}
		if !fits {
			w.strained = time.Now()
		}
		w.ask(ctx, u)
	}
}

// ask asks a unit for the blocks that it has not answered for in this cycle,
// until one is not answered.
func (w *worker) ask(ctx context.Context, u *unit) {
	tried := time.Now()
	u.asked, w.tried = true, tried
	heard := false
	for u.next < len(u.blocks) && !w.round.over {
		asked, failure := w.askBlock(ctx, u, u.next)
		switch {
		case ctx.Err() != nil:
			w.round.over = true
			return
		case failure == held:
			w.again(&u.blocks[u.next])
		case failure != nil && failure.Outcome != reading.Exception:
			w.unanswered(u, failure, tried)
			return
		default:
			heard = true
		}
		u.next += asked
	}
	if heard {
		w.heard(u)
	}
}
