package poller

import (
	"context"
	"slices"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// round is the state of one cycle.
type round struct {
	start, next time.Time
	answers     int             // requests that were answered, if only with a refusal
	inRow       int             // units in a row that did not
	reconnected bool            // a connection that broke was opened again, which is done once a cycle
	over        bool            // the rest of the units is not asked any more
	outcome     reading.Outcome // of the units that were not asked, when over
}

// trunkLimit is how many units in a row may fail before a cycle ends early.
// When a whole trunk dies, every unit on it would cost a time-out; those that
// were not asked share the outcome of this cycle, are not held to be silent
// for it, and so come before the silent ones in the next.
const trunkLimit = 3

// disturbance is the share of its neighbours' time that tries of silent units
// may take where they do not fit beside the neighbours' own requests: 1 in 20.
const disturbance = 20

// askHealthy asks every unit that answered when it was last asked.
func (w *worker) askHealthy(ctx context.Context) {
	if w.line.away {
		w.round.over, w.round.outcome = true, w.line.outcome
		return
	}
	for _, u := range w.units {
		if !u.ill() && !w.round.over {
			w.ask(ctx, u)
		}
	}
}

// askIll tries units that did not answer when they were last asked, the one
// that has waited longest first, for as long as there is time. They come after
// the healthy ones so that they take no time from them.
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

// mostDue returns the silent unit to try now, and whether the try ends before
// the next cycle in the worst case.
//
// One that does not fit may be tried all the same: if it has failed only once,
// so that a lost answer costs one reading and not many; if it has no healthy
// neighbours and is the first to be tried in this cycle; or if the last such try
// is so long ago that the neighbours lose no more than a twentieth of their
// cycles.
func (w *worker) mostDue(now time.Time) (due *unit, fits bool) {
	alone := w.round.inRow == 0 && !slices.ContainsFunc(w.units, func(u *unit) bool { return !u.ill() })
	for _, u := range w.units {
		waits := u.due.After(now) && !w.line.lost // on the first connection after an outage nobody waits
		if !u.ill() || u.asked || waits || due != nil && !u.due.Before(due.due) {
			continue
		}
		inTime := !now.Add(u.cost).After(w.round.next)
		if inTime || u.failures == 1 || alone || now.Sub(w.strained) >= disturbance*u.cost {
			due, fits = u, inTime
		}
	}
	return due, fits
}

// ask asks a unit for all its blocks, until one is not answered.
func (w *worker) ask(ctx context.Context, u *unit) {
	u.asked = true
	tried := time.Now()
	heard := false
	for i := 0; i < len(u.blocks) && !w.round.over; {
		asked, failure := w.askBlock(ctx, u, i)
		switch {
		case ctx.Err() != nil:
			w.round.over = true
			return
		case failure == held:
			w.again(&u.blocks[i])
		case failure != nil && failure.Outcome != reading.Exception:
			w.unanswered(u, i, failure, tried)
			return
		default:
			heard = true
		}
		i += asked
	}
	if heard {
		w.heard(u)
	}
}

// heard notes that a unit answered. Where one that was silent answers again,
// the trouble may be over for the others as well: they are all due.
func (w *worker) heard(u *unit) {
	w.round.inRow = 0
	if !u.ill() {
		return
	}
	if u.told {
		w.log.Info("unit answers again", zap.Int("unit", u.id),
			zap.Duration("silent_for", time.Since(u.since).Round(time.Second)))
	}
	u.failures, u.told = 0, false
	w.allDue()
}

// allDue makes every silent unit due.
func (w *worker) allDue() {
	now := time.Now()
	for _, u := range w.units {
		if u.due.After(now) {
			u.due = now
		}
	}
}

// unanswered notes that block i of a unit was not answered, which goes for the
// blocks behind it as well.
func (w *worker) unanswered(u *unit, i int, failure *reading.Failure, tried time.Time) {
	for ; i < len(u.blocks); i++ {
		u.blocks[i].outcome = failure.Outcome
		w.fail(&u.blocks[i].Request, failure.Outcome)
	}
	now := time.Now()
	if failure.Outcome == reading.Refused && !w.line.away { // as UDP learns it
		w.line.lose(failure, now)
	}
	if w.line.away { // the gateway's trouble and not the unit's
		w.round.over, w.round.outcome = true, w.line.outcome
		return
	}
	u.failed(failure.Outcome, w.round.start, tried, w.worstCase(failure, now.Sub(tried)), w.gateway.PollEvery)
	if u.failures == 2 { // a single lost answer is no change of state
		u.told = true
		w.log.Warn("unit does not answer; it is tried less and less often, at most every 30 s where the period allows",
			zap.Int("unit", u.id), zap.Error(failure))
	}
	// A gateway that breaks every connection before it has answered anything
	// is as good as gone. It may be this unit's doing, which is why the unit
	// counts as silent too: the others are asked first when it is back.
	if failure.Outcome == reading.Reset && w.round.answers == 0 {
		w.line.lose(failure, now)
	}
	w.round.inRow++
	if w.line.away || w.round.inRow >= trunkLimit {
		w.round.over, w.round.outcome = true, failure.Outcome
	}
}

// worstCase is how long the next try of a unit may take: a time-out and the
// quiet after it, or, where the gateway itself says that the unit is silent,
// as long as it took to say so.
func (w *worker) worstCase(failure *reading.Failure, took time.Duration) time.Duration {
	if failure.Code != 0 {
		return took
	}
	worst := w.gateway.Timeout
	if numberless(w.gateway) {
		worst += w.gateway.LateReply
	}
	return worst
}

// giveUp gives the units that were not asked in this cycle their outcome.
func (w *worker) giveUp() {
	for _, u := range w.units {
		if u.asked {
			continue
		}
		outcome := w.round.outcome
		if u.ill() && !w.line.away {
			outcome = u.outcome
		}
		for i := range u.blocks {
			w.fail(&u.blocks[i].Request, outcome)
		}
	}
}
