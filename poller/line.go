package poller

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// How a lost gateway is tried again: the waits double from firstRetry to
// lastRetry, each shortened by up to a half at random so that gateways behind
// one broken switch do not come back in step. An attempt takes at most
// dialLimit, so the attempts are never more than 10 s apart.
const (
	dialLimit  = 3 * time.Second
	firstRetry = time.Second
	lastRetry  = 7 * time.Second
)

// line is the worker's connection to its gateway and what became of it.
type line struct {
	gateway *config.Gateway
	dial    Dial
	log     *zap.Logger
	timer   *time.Timer

	session Session // nil: not connected
	late    late
	quiet   time.Time // no connection is opened before
	rested  time.Time // end of the last request
	fresh   bool      // the session was opened in this cycle, or has answered in it
	worked  bool      // the session, or the one before if there is none, has answered or is older than this cycle

	lost    bool // since the connection failed nothing was answered
	away    bool // there is nobody to ask: attempts to reach it go on beside the cycles
	since   time.Time
	outcome reading.Outcome // why it is lost
	retries int
	retry   time.Time    // when it is tried again
	dialled chan dialled // receives the one attempt that is under way, if any
	waiting func()       // ends that attempt; nil: there is none
}

// dialled is the end of an attempt to connect in the background.
type dialled struct {
	session Session
	err     error
}

func newLine(gateway *config.Gateway, dial Dial, log *zap.Logger) *line {
	timer := time.NewTimer(time.Hour)
	timer.Stop()
	return &line{gateway: gateway, dial: dial, log: log, timer: timer, late: newLate(gateway),
		dialled: make(chan dialled, 1)}
}

// numberless reports whether answers have no number to tell them apart and may
// outlive their connection.
func numberless(gateway *config.Gateway) bool {
	return gateway.Scheme == "rtu" || gateway.Scheme == "rtuovertcp"
}

// sleep waits until an instant; it returns false when ctx ended.
func (l *line) sleep(ctx context.Context, until time.Time) bool {
	wait := time.Until(until)
	if wait <= 0 {
		return ctx.Err() == nil
	}
	l.timer.Reset(wait)
	select {
	case <-l.timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// connect makes sure that there is a session, within a limit. A gateway that
// cannot be reached is lost from then on, unless it had less than dialLimit.
func (l *line) connect(ctx context.Context, limit time.Duration) *reading.Failure {
	if l.session != nil {
		return nil
	}
	if !l.sleep(ctx, l.quiet) {
		return stopped()
	}
	bounded, cancel := context.WithTimeout(ctx, min(limit, dialLimit))
	defer cancel()
	session, err := l.dial(bounded, l.gateway)
	if err != nil {
		if ctx.Err() != nil {
			return stopped()
		}
		if limit < dialLimit && bounded.Err() != nil {
			return held
		}
		failure := asFailure(err)
		l.lose(failure, time.Now())
		return failure
	}
	l.use(session)
	return nil
}

// use takes a new session. The gateway's pause is kept after connecting as
// well: some drop what comes too soon.
func (l *line) use(session Session) {
	l.session, l.fresh, l.worked, l.away = session, true, false, false
	l.rested = time.Now()
}

// drop closes the connection after an error: what comes late has nowhere to go.
func (l *line) drop(now time.Time) {
	if l.session != nil {
		l.session.Close()
		l.session = nil
	}
	if numberless(l.gateway) {
		l.quiet = now.Add(l.gateway.LateReply)
	}
}

// lose notes that the gateway is gone and when it is tried again.
func (l *line) lose(failure *reading.Failure, now time.Time) {
	if l.session != nil {
		l.drop(now)
	}
	if !l.lost {
		l.lost, l.since, l.retries = true, now, 0
		l.log.Warn("gateway lost; it is tried again at least every 10 s", zap.Error(failure))
	}
	l.away, l.outcome = true, failure.Outcome
	l.retry = now.Add(backOff(l.retries))
	l.retries++
	if l.retry.Before(l.quiet) {
		l.retry = l.quiet
	}
}

// backOff is how long a lost gateway is left alone after so many attempts.
func backOff(retries int) time.Duration {
	longest := min(firstRetry<<min(retries, 8), lastRetry)
	return longest/2 + rand.N(longest/2+1)
}

// answered notes that the gateway lives, and reports whether it had been lost.
func (l *line) answered(now time.Time) (back bool) {
	l.fresh, l.worked = true, true
	if !l.lost {
		return false
	}
	l.lost = false
	l.log.Info("gateway is back", zap.Duration("lost_for", now.Sub(l.since).Round(time.Second)))
	return true
}

// wait waits for an instant while, beside it, a lost gateway is tried again
// whenever that is due. It returns false when ctx ended.
func (l *line) wait(ctx context.Context, until time.Time) bool {
	for {
		wake := until
		if l.away && l.waiting == nil && l.retry.Before(until) {
			wake = l.retry
		}
		l.timer.Reset(max(0, time.Until(wake)))
		select {
		case <-ctx.Done():
			return false
		case attempt := <-l.dialled:
			l.settle(attempt)
		case <-l.timer.C:
			if wake.Equal(until) {
				return true
			}
			l.redial(ctx)
		}
	}
}

// redial tries a lost gateway in the background, so that its fans' failed
// readings keep their period.
func (l *line) redial(ctx context.Context) {
	bounded, cancel := context.WithTimeout(ctx, dialLimit)
	l.waiting = cancel
	go func() {
		session, err := l.dial(bounded, l.gateway)
		l.dialled <- dialled{session, err}
	}()
}

// settle takes the end of an attempt in the background.
func (l *line) settle(attempt dialled) {
	l.waiting()
	l.waiting = nil
	if attempt.err != nil {
		l.lose(asFailure(attempt.err), time.Now())
		return
	}
	l.use(attempt.session)
}

// end closes what is open, and waits for an attempt that is under way.
func (l *line) end() {
	if l.waiting != nil {
		l.waiting()
		if attempt := <-l.dialled; attempt.err == nil {
			attempt.session.Close()
		}
		l.waiting = nil
	}
	if l.session != nil {
		l.session.Close()
		l.session = nil
	}
	l.timer.Stop()
}

// asFailure returns the failure that an error is; an error of any other kind
// means that the session could make nothing of what it heard.
func asFailure(err error) *reading.Failure {
	if failure, ok := err.(*reading.Failure); ok {
		return failure
	}
	var failure *reading.Failure
	if errors.As(err, &failure) {
		return failure
	}
	return &reading.Failure{Outcome: reading.Garbled, Err: err}
}

// stopped is the failure of a read that was given up because the worker stops;
// nobody gets to see it.
func stopped() *reading.Failure {
	return &reading.Failure{Outcome: reading.Reset, Err: context.Canceled}
}
