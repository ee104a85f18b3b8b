package poller

import (
	"context"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// Session is one open connection to a gateway. It is used by one goroutine
// only.
type Session interface {
	// Read asks a unit for count registers or bits from address on and puts
	// them into the first count words of into. Every error is a
	// *reading.Failure; any whose Code is 0 has ended the session. Read returns
	// within about the gateway's timeout.
	Read(unit int, table decode.Table, address, count int, into []uint16) error
	// Close ends the session. It may be called more than once.
	Close() error
}

// Dial opens a session with a gateway. It returns when ctx ends, at the
// latest. Its errors are *reading.Failure.
type Dial func(ctx context.Context, gateway *config.Gateway) (Session, error)
