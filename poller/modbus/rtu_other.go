//go:build !unix

package modbus

import (
	"os"
	"time"
)

// glance is how long to look into a socket that can only be read by waiting.
const glance = time.Millisecond

// waiting takes what has already come, as far as it fits into spare, and waits
// for next to nothing. It fails when the connection is at its end.
func (r *rtu) waiting() (n int, err error) {
	r.conn.SetReadDeadline(time.Now().Add(glance))
	n, err = r.conn.Read(r.spare[:])
	if os.IsTimeout(err) {
		err = nil
	}
	r.conn.SetReadDeadline(time.Now().Add(r.timeout))
	return n, err
}

// takeWaiting is not needed here.
func (r *rtu) takeWaiting(uintptr) (done bool) { return true }
