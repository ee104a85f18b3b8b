package bacnet

import (
	"context"
	"errors"
	"time"
)

// ownAPDU is the longest APDU that we take, as code 5 says: 1476 bytes.
const ownAPDU = 5

// ownSegments says that we take up to 64 segments (code 6).
const ownSegments = 6

// request asks a station for a confirmed service and returns the data of its
// answer. It fails with a *[RemoteError], *[Reject], *[Abort], [ErrTimeout],
// [ErrNoWay], [ErrMalformed], [ErrClosed], the socket's error, or that of the context.
func (c *Client) request(ctx context.Context, to Station, service uint8, data []byte) ([]byte, error) {
	l := c.line(to)
	if err := c.enter(ctx, l.places); err != nil {
		return nil, err
	}
	defer func() { <-l.places }()
	if l.silent.Load() { // many that are silent leave room for those that are not
		if err := c.enter(ctx, c.silent); err != nil {
			return nil, err
		}
		defer func() { <-c.silent }()
	}
	shared := c.trunk(to)
	leave, err := shared.enter(ctx, c)
	if err != nil {
		return nil, err
	}
	defer leave()
	if err := c.enter(ctx, c.flight); err != nil {
		return nil, err
	}
	place := c.flight
	defer func() { <-place }()
	e, answers := c.begin(to, l)
	defer c.end(e)
	a := APDU{Type: ConfirmedRequest, SegmentedAccepted: true, MaxSegments: ownSegments, MaxAPDU: ownAPDU,
		InvokeID: e.invoke, Service: service, Data: data}
	late := false
	for try := 0; try <= max(0, c.options.Retries); try++ {
		if err := c.send(a, to, true); err != nil {
			return nil, err
		}
		answer, err := c.await(ctx, answers, c.options.APDUTimeout/overdueShare)
		if errors.Is(err, ErrTimeout) {
			place, late = c.makeRoom(place), true
			leave()
			answer, err = c.await(ctx, answers, c.options.APDUTimeout-c.options.APDUTimeout/overdueShare)
		}
		if errors.Is(err, ErrTimeout) {
			continue
		}
		if err != nil {
			return nil, err
		}
		l.silent.Store(false)
		shared.answered(late)
		return c.finish(ctx, e, answers, answer, service)
	}
	l.silent.Store(true)
	return nil, ErrTimeout
}

// overdueShare: an answer that takes a quarter of its time is late, and four times as
// many late ones are waited for as others.
const overdueShare = 4

// makeRoom gives the place of a request whose answer is late to another, if not too
// many are late: those who have stopped answering shall not keep those waiting who do.
func (c *Client) makeRoom(place chan struct{}) chan struct{} {
	if place != c.flight {
		return place
	}
	select {
	case c.overdue <- struct{}{}:
		<-c.flight
		return c.overdue
	default:
		return place
	}
}

// enter waits for a place.
func (c *Client) enter(ctx context.Context, places chan struct{}) error {
	select {
	case places <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-c.ctx.Done():
		return ErrClosed
	}
}

// await waits for an APDU.
func (c *Client) await(ctx context.Context, answers chan APDU, limit time.Duration) (APDU, error) {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case a := <-answers:
		return a, nil
	case <-timer.C:
		return APDU{}, ErrTimeout
	case <-ctx.Done():
		return APDU{}, ctx.Err()
	case <-c.ctx.Done():
		return APDU{}, ErrClosed
	}
}

// finish makes of the first answer what the request brought.
func (c *Client) finish(ctx context.Context, e exchange, answers chan APDU, a APDU, service uint8) ([]byte, error) {
	switch a.Type {
	case noWay:
		return nil, ErrNoWay
	case RejectPDU:
		return nil, &Reject{a.Service}
	case AbortPDU:
		return nil, &Abort{a.Service}
	}
	if a.Service != service {
		return nil, ErrMalformed
	}
	switch {
	case a.Type == ErrorPDU:
		r := reader{rest: a.Data}
		failure := r.remoteError()
		if err := r.end(); err != nil {
			return nil, err
		}
		return nil, failure
	case a.Type == ComplexAck && a.Segmented:
		return c.assemble(ctx, e, answers, a)
	case a.Type == ComplexAck || a.Type == SimpleAck:
		return a.Data, nil
	}
	return nil, ErrMalformed
}
