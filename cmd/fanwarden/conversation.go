package main

import (
	"context"
	"errors"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// dialLimit bounds one attempt to reach a gateway.
const dialLimit = 3 * time.Second

// conversation asks a gateway for one thing at a time and opens the session anew
// after whatever ended it.
type conversation struct {
	gateway *config.Gateway
	dial    poller.Dial
	session poller.Session
	quiet   time.Time // not before this may the session be opened again
}

func (c *conversation) close() {
	if c.session != nil {
		c.session.Close()
		c.session = nil
	}
}

// read asks for the words of one point.
func (c *conversation) read(ctx context.Context, point config.PlacedPoint) ([]uint16, error) {
	return c.ask(ctx, point.Unit, point.Table, point.Address, point.Words())
}

// ask asks for count addresses of a table, after the pause that the gateway wants.
func (c *conversation) ask(ctx context.Context, unit int, table decode.Table, address, count int) ([]uint16, error) {
	if c.session == nil {
		if err := c.open(ctx); err != nil {
			return nil, err
		}
	}
	if err := wait(ctx, c.gateway.Pause); err != nil {
		return nil, err
	}
	words := make([]uint16, count)
	err := c.session.Read(unit, table, address, count, words)
	var failure *reading.Failure
	if errors.As(err, &failure) && failure.Code == 0 {
		c.close()
		c.quiet = time.Now().Add(c.gateway.LateReply)
	}
	if err != nil {
		return nil, err
	}
	return words, nil
}

// open dials, once no late answer can come into the new connection any more.
func (c *conversation) open(ctx context.Context) error {
	if err := wait(ctx, time.Until(c.quiet)); err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, dialLimit)
	defer cancel()
	session, err := c.dial(ctx, c.gateway)
	if err == nil {
		c.session = session
	}
	return err
}

func wait(ctx context.Context, d time.Duration) error {
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
