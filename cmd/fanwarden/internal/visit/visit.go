// Package visit talks with one gateway on behalf of a person who waits for it:
// single points, each asked for by itself, and the rounds of a turnover.
package visit

import (
	"context"
	"errors"
	"iter"
	"sync"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// dialLimit bounds one attempt to reach a gateway.
const dialLimit = 3 * time.Second

// Visit is a conversation with a gateway. It opens its connection when that is
// needed, and anew after whatever ended it, once no late answer can come into the
// new one any more. It is used by one goroutine at a time; behind a BACnet gateway,
// once it is open, by as many as there are fans.
type Visit struct {
	Gateway *config.Gateway
	dial    poller.Dial
	open    Open
	session poller.Session
	quiet   time.Time // not before this may the session be opened again

	opening sync.Mutex     // of devices
	devices *bacnet.Client // of a BACnet gateway, instead of the session
}

// Open opens the way to the devices of a BACnet gateway.
type Open func(context.Context, *config.Gateway) (*bacnet.Client, error)

// New returns a visit that has not begun, to a gateway of either protocol.
func New(gateway *config.Gateway, dial poller.Dial, open Open) *Visit {
	return &Visit{Gateway: gateway, dial: dial, open: open}
}

// Close ends the connection; the next call opens another.
func (v *Visit) Close() {
	if v.devices != nil {
		v.devices.Close()
		v.devices = nil
	}
	if v.session != nil {
		v.session.Close()
		v.session = nil
	}
}

// Connected reports whether a connection stands.
func (v *Visit) Connected() bool { return v.session != nil || v.devices != nil }

// Open connects, if there is no connection.
func (v *Visit) Open(ctx context.Context) (err error) {
	if v.Gateway.BACnet() {
		v.opening.Lock()
		defer v.opening.Unlock()
		if v.devices == nil {
			v.devices, err = v.open(ctx, v.Gateway)
		}
		return err
	}
	if v.session != nil {
		return nil
	}
	if err := Wait(ctx, time.Until(v.quiet)); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	session, err := v.dial(ctx, v.Gateway)
	if err == nil {
		v.session = session
	}
	return err
}

// AskEach asks for points one after the other, each by itself; on BACnet for all at
// once, since there a refusal is of one point anyway, and a device that is silent is
// waited for only once.
func (v *Visit) AskEach(ctx context.Context, points []config.PlacedPoint, around bool) iter.Seq2[config.PlacedPoint, turnover.Answer] {
	return func(yield func(config.PlacedPoint, turnover.Answer) bool) {
		var answers []turnover.Answer
		if v.Gateway.BACnet() {
			answers = v.askObjects(ctx, points, properties{units: true, around: around})
		}
		for i, p := range points {
			if answers == nil && !yield(p, v.Ask(ctx, p, around)) || answers != nil && !yield(p, answers[i]) {
				return
			}
		}
	}
}

// Ask asks for one point by itself, and where around is set for what lies beside
// it, which is how a map that is off by one shows. What is refused there is no
// fault.
func (v *Visit) Ask(ctx context.Context, p config.PlacedPoint, around bool) turnover.Answer {
	if p.BACnet() {
		return v.askObjects(ctx, []config.PlacedPoint{p}, properties{units: true, around: around})[0]
	}
	words, err := v.Read(ctx, p.Unit, p.Table, p.Address, p.Words())
	if err != nil {
		return turnover.Answer{Failure: asFailure(err)}
	}
	a := turnover.Answer{Words: words}
	if !around {
		return a
	}
	if p.Address > 0 {
		a.Before, _ = v.Read(ctx, p.Unit, p.Table, p.Address-1, 1)
	}
	end := p.Address + p.Words()
	for n := min(2, 1<<16-end); n > 0 && a.After == nil; n-- {
		a.After, _ = v.Read(ctx, p.Unit, p.Table, end, n)
	}
	return a
}

// Read asks a unit for count registers or bits. Its errors are *reading.Failure,
// or that of ctx.
func (v *Visit) Read(ctx context.Context, unit int, table decode.Table, address, count int) ([]uint16, error) {
	if err := v.ready(ctx); err != nil {
		return nil, err
	}
	words := make([]uint16, count)
	if err := v.ended(v.session.Read(unit, table, address, count, words)); err != nil {
		return nil, err
	}
	return words, nil
}

// writer is a session that can write, which the poller's need not.
type writer interface {
	Write(unit int, table decode.Table, address int, words []uint16) error
}

// errNoWriting is the error of a protocol that cannot.
var errNoWriting = errors.New("this protocol cannot be written by this version")

// Write writes a point's words. Only a turnover exercise does.
func (v *Visit) Write(ctx context.Context, unit int, table decode.Table, address int, words []uint16) error {
	if err := v.ready(ctx); err != nil {
		return err
	}
	w, can := v.session.(writer)
	if !can {
		return errNoWriting
	}
	return v.ended(w.Write(unit, table, address, words))
}

// ready opens the connection and keeps the gateway's pause.
func (v *Visit) ready(ctx context.Context) error {
	if err := v.Open(ctx); err != nil {
		return err
	}
	return Wait(ctx, v.Gateway.Pause)
}

// ended closes the connection after an error that is no answer.
func (v *Visit) ended(err error) error {
	var failure *reading.Failure
	if errors.As(err, &failure) && failure.Code == 0 {
		v.Close()
		v.quiet = time.Now().Add(v.Gateway.LateReply)
	}
	return err
}

// Wait waits for a while, or until ctx ends; then it returns the error of that.
func Wait(ctx context.Context, d time.Duration) error {
	if d <= 0 {
		return ctx.Err()
	}
	select {
	case <-time.After(d):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// asFailure makes a failure of any error, so that a look always has one.
func asFailure(err error) *reading.Failure {
	var failure *reading.Failure
	if errors.As(err, &failure) {
		return failure
	}
	return &reading.Failure{Outcome: reading.Timeout, Err: err}
}
