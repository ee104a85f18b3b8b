package turnover

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	"fanwarden/poller/reading"
)

// why is the reason for which ctx ended, or else err.
func why(ctx context.Context, err error) error {
	switch {
	case ctx.Err() == nil:
		return err
	case errors.Is(context.Cause(ctx), errTimeOver):
		return errTimeOver
	}
	return errInterrupted
}

// watch looks at the fan for a while, and stops where what it sees says so.
func (e *Exercise) watch(ctx context.Context, c *Course, lasts time.Duration) error {
	end := time.Now().Add(lasts)
	for next := time.Now(); next.Before(end); next = next.Add(lookEvery(e.hold())) {
		select {
		case <-ctx.Done():
			return why(ctx, nil)
		case <-time.After(time.Until(next)):
		}
		if err := e.look(ctx, c); err != nil {
			return why(ctx, err)
		}
	}
	return nil
}

// look reads the fan once, and judges whether it may go on. One lost answer is no
// lost connection: it is asked for once more.
func (e *Exercise) look(ctx context.Context, c *Course) error {
	l, err := e.Driver.Look(ctx)
	if err != nil && ctx.Err() == nil {
		l, err = e.Driver.Look(ctx)
	}
	if err != nil {
		return err
	}
	if n := len(c.Looks); n > 0 {
		// By the clock on the wall: a machine that sleeps stops the other one.
		if gap := l.Time.Round(0).Sub(c.Looks[n-1].Time.Round(0)); gap > longestGap {
			return fmt.Errorf("nothing was seen of the fan for %s: did this machine sleep?", lasting(gap))
		}
	}
	c.Looks = append(c.Looks, l)
	return e.mayGoOn(newTrace(e.Fan, e.Units, c.Looks[len(c.Looks)-1:]))
}

// mayGoOn judges what one look found. The abort pressure counts with either sign,
// because a lost sign or a swapped tube is among what an exercise is to find.
func (e *Exercise) mayGoOn(t *trace) error {
	p, limit := t.at(reading.Pressure, 0), e.Fan.AbortPressure
	switch {
	case math.IsNaN(t.at(reading.Speed, 0)):
		return errors.New("its speed has no good value")
	case math.IsNaN(t.at(e.Fan.Controlled(), 0)):
		return fmt.Errorf("its %s has no good value", e.Fan.Controlled())
	case t.at(reading.Fault, 0) == 1:
		return errors.New("its controller reports a fault")
	case t.at(reading.Enable, 0) == 0:
		return errors.New("it is not permitted to run: another system holds it")
	case limit != nil && math.IsNaN(p):
		return errors.New("its pressure has no good value, and abort_pressure rests on it")
	case limit != nil && math.Abs(p) >= math.Abs(*limit):
		return fmt.Errorf("the pressure reached %s, and abort_pressure is %s (either sign counts)", t.write(reading.Pressure, p), t.write(reading.Pressure, *limit))
	}
	return nil
}

// Once the fan was given back it is looked at for a while, to see it take control
// again, run on and start. It is not forced then, so neither time nor pressure
// ends that, and an error is no fault of the exercise.
const longestLookOn = 3 * time.Minute

// lookOn looks for as long as there is something to see: its run-on ends within
// run_on, and it starts within its start delay.
func (e *Exercise) lookOn(ctx context.Context, c *Course) {
	lasts := settle(e.hold())
	if e.Fan.GoesIdle {
		lasts = min(lasts+e.Fan.RunOn+e.Fan.StartDelay, longestLookOn)
		e.tell("looking on for up to %s to see it run on or start; ctrl-C ends that", lasting(lasts))
	}
	began, from := time.Now(), len(c.Looks)
	for ctx.Err() == nil && time.Since(began) < lasts {
		l, err := e.Driver.Look(ctx)
		if err != nil {
			return
		}
		c.Looks = append(c.Looks, l)
		if time.Since(began) >= settle(e.hold()) && e.seenEnough(newTrace(e.Fan, e.Units, c.Looks[from:])) {
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(lookEvery(e.hold())):
		}
	}
}

// seenEnough reports whether a fan that was given back has nothing more to show
// soon: it stopped by itself, it started, or it has more to do than to run on.
func (e *Exercise) seenEnough(t *trace) bool {
	last := len(t.looks) - 1
	if t.state(0) == stopped {
		return t.running(last)
	}
	return t.state(last) == stopped || t.at(reading.Speed, last) > e.Fan.IdleBelow+margin
}
