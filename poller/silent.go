package poller

import (
	"errors"
	"slices"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// disturbance is the share of its neighbours' cycles that tries of silent units
// may cost where they do not fit beside the neighbours' own requests: 1 in 20.
const disturbance = 20

// mostDue returns the silent unit to try now, and whether the try ends before
// the next cycle in the worst case.
//
// One that does not fit may be tried all the same, if nothing else has failed in
// this cycle: if it has failed only once or was passed over, so that a lost
// answer costs one reading and not many, and an outage no more than its time;
// if it has no healthy neighbours; or if the last such try is so long ago that
// the neighbours lose no more than a twentieth of their cycles.
func (w *worker) mostDue(now time.Time) (due *unit, fits bool) {
	alone := !slices.ContainsFunc(w.units, (*unit).healthy)
	// On the first connection after an outage nobody waits, nor does a mute
	// gateway if it would be left in peace for too long.
	hurry := w.line.lost || w.mute() && w.round.next.Sub(w.tried) > muteRetry
	for _, u := range w.units {
		waits := u.due.After(now) && !hurry
		if u.healthy() || u.asked || waits || due != nil && !w.before(u, due) {
			continue
		}
		overrun := now.Add(u.cost).Sub(w.round.next)
		patient := now.Sub(w.strained) >= disturbance*w.wholePeriods(overrun)
		if overrun <= 0 || w.round.failures == 0 && (alone || u.failures < 2 || u.passed || patient) {
			due, fits = u, overrun <= 0
		}
	}
	return due, fits
}

// wholePeriods rounds a time up to whole periods, since a cycle that begins a
// little late begins a whole period late.
func (w *worker) wholePeriods(d time.Duration) time.Duration {
	period := w.gateway.PollEvery
	return (d + period - 1) / period * period
}

// mute reports whether the connection stands and nothing is heard of anybody,
// not even of the gateway.
func (w *worker) mute() bool {
	return !w.line.away && len(w.units) > 0 &&
		!slices.ContainsFunc(w.units, func(u *unit) bool { return !u.ill() || u.named() })
}

// before reports whether u is to be tried before another unit that stands
// earlier in the row.
func (w *worker) before(u, other *unit) bool {
	if u.passed != other.passed {
		return u.passed
	}
	return u.due.Before(other.due) || w.backwards && u.due.Equal(other.due)
}

// heard notes that a unit answered. Where one that was silent answers again,
// the trouble may be over for the others as well: they are all due. One that had
// but lost an answer says nothing of the dead, but others may have lost theirs
// like it.
func (w *worker) heard(u *unit) {
	if u.healthy() {
		return
	}
	first := !slices.ContainsFunc(w.units, (*unit).healthy)
	silent := u.told || u.passed
	if u.told {
		w.log.Info("unit answers again", zap.Int("unit", u.id),
			zap.Duration("silent_for", time.Since(u.since).Round(time.Second)))
	}
	u.failures, u.told, u.passed = 0, false, false
	if silent || first {
		w.allDue(first)
	} else {
		w.lossyDue()
	}
}

// allDue makes every silent unit due; when the whole line was dead, also those
// whose try does not fit beside their neighbours' requests.
func (w *worker) allDue(wholeLine bool) {
	now := time.Now()
	for _, u := range w.units {
		u.passed = u.passed || wholeLine && u.ill()
		u.hasten(now)
	}
}

// lossyDue makes those silent units due that may have lost their answers by
// chance.
func (w *worker) lossyDue() {
	now := time.Now()
	for _, u := range w.units {
		if u.failures <= secondTries {
			u.hasten(now)
		}
	}
}

// unanswered notes that the next block of a unit was not answered, which goes
// for the blocks behind it as well.
func (w *worker) unanswered(u *unit, failure *reading.Failure, tried time.Time) {
	for i := u.next; i < len(u.blocks); i++ {
		u.blocks[i].outcome = failure.Outcome
	}
	now := time.Now()
	if failure.Outcome == reading.Refused && !w.line.away { // as UDP learns it
		w.line.lose(failure, now)
	}
	if w.line.away { // the gateway's trouble and not the unit's
		w.round.over, w.round.outcome = true, w.line.outcome
		return
	}
	cost := w.worstCase(failure, now.Sub(tried))
	u.failure, u.cost = failure, cost
	if !w.round.second {
		u.failed(w.round.start, tried, w.gateway.PollEvery)
		u.again = lostAnswer(failure) && u.failures <= secondTries
		w.backwards = w.backwards != (u.failures == 1)
	}
	// A gateway that breaks one new connection after the other before it has
	// answered anything is as good as gone. It may be this unit's doing, which
	// is why the unit counts as silent too: the others are asked first when it
	// is back.
	if failure.Outcome == reading.Reset && w.round.answers == 0 && (w.line.lost || w.round.broken >= fewestBroken) {
		w.line.lose(failure, now)
	}
	w.round.failures++
	w.round.lost += min(cost, now.Sub(tried)+w.quiet())
	switch {
	case w.line.away:
		w.round.over, w.round.outcome = true, failure.Outcome
	case w.round.failures >= fewestFailures && w.round.lost+cost > w.gateway.PollEvery:
		w.round.over = true
	}
}

// worstCase is how long the next try of a unit may take: a time-out and the
// quiet after it, or, where the gateway itself says that the unit is silent,
// as long as it took to say so, with the quiet if it was not believed.
func (w *worker) worstCase(failure *reading.Failure, took time.Duration) time.Duration {
	if failure.Code == 0 {
		return w.timeoutCost()
	}
	return took + w.quiet()
}

// quiet is how long nobody is asked any more after the last request.
func (w *worker) quiet() time.Duration {
	if w.line.session == nil && numberless(w.gateway) {
		return w.gateway.LateReply
	}
	return 0
}

// timeoutCost is what a time-out takes, with the quiet after it.
func (w *worker) timeoutCost() time.Duration {
	if numberless(w.gateway) {
		return w.gateway.Timeout + w.gateway.LateReply
	}
	return w.gateway.Timeout
}

// overtaken stands for the failure of a unit that others left no time for.
var overtaken = &reading.Failure{Outcome: reading.Timeout,
	Err: errors.New("the time-outs of other units took the time of the cycle")}

// giveUp gives the blocks that were not answered for in this cycle their
// outcome. Where the unit was asked that is what its last try ended with;
// where it was not, that of a lost gateway, of its own last try, or, where
// others took their time, a time-out.
func (w *worker) giveUp() {
	for _, u := range w.units {
		for i := u.next; i < len(u.blocks); i++ {
			outcome := u.blocks[i].outcome
			if !u.asked {
				outcome = w.unasked(u)
			}
			w.fail(&u.blocks[i].Request, outcome)
		}
		w.tell(u)
	}
}

// unasked returns the outcome of a unit that was not asked in this cycle.
func (w *worker) unasked(u *unit) reading.Outcome {
	if w.line.away {
		return w.round.outcome
	}
	if !u.ill() {
		u.passed, u.failure, u.cost = true, overtaken, w.timeoutCost()
	}
	return u.failure.Outcome
}

// tell logs that a unit is silent, once. A cycle without its answer is no
// change of state yet.
func (w *worker) tell(u *unit) {
	if u.failures < 2 || u.told {
		return
	}
	u.told = true
	w.log.Warn("unit does not answer; it is tried less and less often, at most every 30 s where the period allows",
		zap.Int("unit", u.id), zap.Error(u.failure))
}
