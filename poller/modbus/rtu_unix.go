//go:build unix

package modbus

import (
	"io"
	"syscall"
)

// waiting takes what has already come, as far as it fits into spare, and waits
// for nothing. It fails when the connection is at its end.
func (r *rtu) waiting() (n int, err error) {
	if err := r.raw.Read(r.take); err != nil {
		return 0, err
	}
	return r.taken, r.fault
}

// takeWaiting never blocks, because sockets of the runtime do not.
func (r *rtu) takeWaiting(fd uintptr) (done bool) {
	r.taken, r.fault = syscall.Read(int(fd), r.spare[:])
	switch {
	case r.fault == syscall.EINTR:
		return r.takeWaiting(fd)
	case r.fault == syscall.EAGAIN:
		r.taken, r.fault = 0, nil
	case r.fault == nil && r.taken == 0:
		r.fault = io.EOF
	}
	return true
}
