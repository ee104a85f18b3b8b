package poller

import (
	"context"
	"time"

	"fanwarden/poller/reading"
)

// reserve is the share of the period that second tries leave unused, since
// time-outs may take a little longer than they should: 1 in 20. The quiet after
// a time-out counts towards it, which a time-out may run into.
const reserve = 20

// lostAnswer reports whether a unit may have answered and its answer been lost
// or spoilt on the way. What was refused in so many words, be it by the device
// or by its gateway, was not lost.
func lostAnswer(failure *reading.Failure) bool {
	switch failure.Outcome {
	case reading.Timeout, reading.Garbled, reading.Reset:
		return failure.Code == 0
	}
	return false
}

// askAgain asks the units whose answer was lost in this cycle a second time,
// each from the block on that was lost, so that a gateway that now and then
// loses an answer costs no reading. They come last and have what is left of the
// period: nobody waits for them.
func (w *worker) askAgain(ctx context.Context) {
	w.round.second = true
	for _, u := range w.units {
		if w.round.over {
			return
		}
		if u.again {
			w.ask(ctx, u)
		}
	}
}

// spare is how long the connection may take before a request is sent. In a
// second try that is what the period has left beyond the quiet before the
// request, the request's time-out and the quiet after it; if it is not above 0,
// the request is not to be sent.
func (w *worker) spare(now time.Time) time.Duration {
	if !w.round.second {
		return dialLimit
	}
	begin := now
	if w.line.session == nil && w.line.quiet.After(now) {
		begin = w.line.quiet
	}
	after := max(w.timeoutCost(), w.gateway.Timeout+w.gateway.PollEvery/reserve)
	return w.round.next.Sub(begin) - w.gateway.Pause - after
}
