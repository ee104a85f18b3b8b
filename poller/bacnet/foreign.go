package bacnet

import (
	"context"
	"encoding/binary"
	"fmt"
	"time"
)

// Register makes us a foreign device of the BBMD (Annex J.5.2), so that
// broadcasts reach us, and keeps it so until the client is closed: the
// registration is renewed at half its time, and at once when the BBMD refuses a
// broadcast, as it may have forgotten us; one that fails is tried again after an
// APDU time-out. The error is of the first registration, which is kept up all the
// same.
func (c *Client) Register(ctx context.Context) error {
	err := c.register(ctx)
	c.running.Go(func() {
		for failed := err; ; failed = c.register(c.ctx) {
			wait := c.options.TTL / 2
			if failed != nil {
				wait = min(wait, c.options.APDUTimeout)
			}
			if !c.pause(wait) {
				return
			}
		}
	})
	return err
}

// pause waits until the next registration, and reports whether the client still
// lives then.
func (c *Client) pause(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-c.unknown:
		return true
	case <-c.ctx.Done():
		return false
	}
}

// register is one registration.
func (c *Client) register(ctx context.Context) error {
	select {
	case <-c.results: // late, of an earlier one
	default:
	}
	ttl := binary.BigEndian.AppendUint16(nil, uint16(min(c.options.TTL/time.Second, 1<<16-1)))
	if err := c.write(BVLC{Function: RegisterForeignDevice, Data: ttl}, c.options.BBMD); err != nil {
		return err
	}
	timer := time.NewTimer(c.options.APDUTimeout)
	defer timer.Stop()
	select {
	case code := <-c.results:
		if code != 0 {
			return fmt.Errorf("%w: %s, code %#04x", ErrRegistration, c.options.BBMD, code)
		}
		select {
		case <-c.unknown: // of a broadcast before it
		default:
		}
		return nil
	case <-timer.C:
		return ErrTimeout
	case <-ctx.Done():
		return ctx.Err()
	case <-c.ctx.Done():
		return ErrClosed
	}
}
