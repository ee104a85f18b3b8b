package bacnet

import (
	"context"
	"errors"
	"net"
	"os"
	"syscall"

	"fanwarden/poller/reading"
)

// Failure says how a request ended in the words that readings are counted by.
// What the device refused is an exception, whose code is that of the error, or
// the reason of the reject or abort; as a Failure's code is 1 to 255, a 0 stands
// there as 1 and what is longer as 255. The error itself tells the three apart.
func Failure(err error) *reading.Failure {
	f := &reading.Failure{Outcome: reading.Reset, Err: err}
	var remote *RemoteError
	var reject *Reject
	var abort *Abort
	switch {
	case errors.As(err, &remote):
		f.Outcome, f.Code = reading.Exception, code(remote.Code)
	case errors.As(err, &reject):
		f.Outcome, f.Code = reading.Exception, code(uint32(reject.Reason))
	case errors.As(err, &abort):
		f.Outcome, f.Code = reading.Exception, code(uint32(abort.Reason))
	case errors.Is(err, ErrTimeout), errors.Is(err, context.DeadlineExceeded), errors.Is(err, os.ErrDeadlineExceeded):
		f.Outcome = reading.Timeout
	case errors.Is(err, ErrNoWay):
		f.Outcome = reading.PathUnavailable
	case errors.Is(err, ErrMalformed):
		f.Outcome = reading.Garbled
	case noWayThere(err):
		f.Outcome = reading.Refused
	}
	return f
}

// noWayThere reports errors that come before anything is sent: no such host, no
// socket, no route, no registration.
func noWayThere(err error) bool {
	var name *net.DNSError
	if errors.As(err, &name) || errors.Is(err, ErrRegistration) {
		return true
	}
	for _, e := range []syscall.Errno{syscall.ECONNREFUSED, syscall.ENETUNREACH, syscall.EHOSTUNREACH,
		syscall.EADDRINUSE, syscall.EADDRNOTAVAIL, syscall.EACCES} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}

func code(n uint32) uint8 { return uint8(min(max(n, 1), 255)) }
