// Package modbus is a conversation with one Modbus gateway or serial line: UDP,
// TLS and serial lines on top of github.com/simonvetter/modbus 1.6.4, and TCP and
// RTU over TCP with a framing of its own.
//
// TCP is our own because that is how most gateways are reached, and the library
// takes two reads and eight allocations an answer: with many gateways two thirds
// of the processor's time that C on libmodbus takes, instead of nine tenths.
//
// RTU over TCP is our own because the library reads whatever stands next in the
// stream as the answer, does not look whether something stands there already
// before it asks, and hides its connection, so that nobody else can look. A
// gateway that sent one answer twice then shifted every answer after it by one,
// for as long as the connection lived, and nothing failed. Measured on a
// stand-in gateway with two fans of one unit, which doubled every seventh
// answer: 18 of 68 values stood under the other fan, marked as good. On a serial
// line, where the library stays, the gap is still open: a device that answered
// twice would shift what follows in the same way.
//
// The library is fast and complete, and it has habits that a program which
// polls for years cannot live with. This package answers each of them:
//
//   - The unit is state of its client, so two goroutines that share one take
//     each other's answers. A [Session] belongs to one goroutine, and the unit
//     is an argument of every read.
//   - RTU: a reply that comes after its time-out is taken for the answer to the
//     next request, and every answer after it is shifted by one.
//     TLS: a time-out in the middle of a frame loses the stream for good.
//     After the peer has closed, every read fails. So a session ends with the
//     first error that is not an exception: it closes its connection, and
//     later reads fail at once. The caller opens another, and on transports
//     without transaction ids waits first, until a late reply has had time to
//     come to nobody.
//   - A client whose Open failed panics when it is read: [Open] returns a
//     session only when its connection stands.
//   - Opening takes no context, 5 s at most and 15 s for TLS: [Open] stops
//     waiting when its context ends, and the connection that may still come
//     then is closed as it comes.
//   - Close waits for the request in flight: a session is closed by the
//     goroutine that reads, so there is none.
//   - It prints to standard output: it gets a logger of ours, at debug level.
//   - Exceptions that it has no name for (07 among them) come as text only:
//     they are read back from the text.
//   - Its serial side waits with select(2), which cannot hold a descriptor of
//     1024 or more: [Open] refuses to open a serial line then, in words.
//   - After a garbled RTU frame it waits for 256 characters before it returns:
//     a read on a serial line takes at most its time-out and that.
package modbus

import (
	"errors"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// Options says where a gateway is and how to talk to it.
type Options struct {
	Scheme   string        // tcp, rtuovertcp, udp, tcp+tls or rtu
	Address  string        // host:port, or the serial device
	Timeout  time.Duration // of one request and its answer; must be above 0
	Baud     int           // serial side in bit/s; 0: 19200 for rtu, not known (no pauses between frames) for rtuovertcp
	DataBits int           // rtu: 7 or 8; 0: 8
	Parity   string        // rtu: none, even or odd; "": none
	StopBits int           // rtu: 1 or 2; 0: 2 without parity, else 1
	TLSCert  string        // tcp+tls: our certificate, its key, and who vouches for the gateway (PEM files)
	TLSKey   string
	TLSCA    string
	Log      *zap.Logger // nil: silent
}

// Session is one open connection. It is used by one goroutine only.
type Session struct {
	over  transport
	ended bool
}

// transport carries requests and their answers.
type transport interface {
	read(unit int, table decode.Table, address, count uint16, into []uint16) *reading.Failure
	write(unit int, table decode.Table, address uint16, words []uint16) *reading.Failure
	close() error
}

// errEnded is what a read gets that comes after the session's end.
var errEnded = &reading.Failure{Outcome: reading.Reset, Err: errors.New("the connection was closed after an earlier error")}

// Read asks a unit for count registers (1 to 125) or bits (1 to 2000) from
// address on, and puts them into the first count words of into; a bit becomes
// 0 or 1. It returns within about the time-out, even when the other side
// trickles bytes.
//
// Every error is a *[reading.Failure]. Any but an exception (its Code is not
// 0) ends the session.
func (s *Session) Read(unit int, table decode.Table, address, count int, into []uint16) error {
	if s.ended {
		return errEnded
	}
	failure := s.over.read(unit, table, uint16(address), uint16(count), into[:count])
	if failure == nil {
		return nil // not a nil *Failure inside an error
	}
	if failure.Code == 0 {
		s.Close()
	}
	return failure
}

// Close ends the session. It may be called more than once, by the goroutine
// that reads.
func (s *Session) Close() error {
	if s.ended {
		return nil
	}
	s.ended = true
	return s.over.close()
}
