package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"syscall"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// dialLimit bounds an attempt to connect whose context has no end of its own.
const dialLimit = 5 * time.Second

// longestFrame is the most that an RTU frame may have (Modbus over Serial Line
// V1.02, section 2.5.1).
const longestFrame = 256

// rtu speaks RTU over TCP. An answer carries no number there, so it is taken
// only where nothing else can be meant:
//
//   - Before a request the socket is empty. What waits in it came unasked, and
//     proves that requests and answers are out of step.
//   - The answer has the unit, the function and the byte count that were asked
//     for, and its checksum is right.
//   - Nothing follows it. Of two answers that come together nobody can say
//     which one was asked for.
//
// One way remains: an answer that is sent twice, whose second copy comes after
// the next request has left and before that request's own answer, passes for it
// if unit, function and byte count are the same. It is the last one to pass,
// because the true answer is then found in the socket. The poller orders its
// requests so that two in a row differ in these, as far as the points allow.
type rtu struct {
	conn    net.Conn
	raw     syscall.RawConn
	timeout time.Duration
	pause   time.Duration // between an answer and the next request
	rested  time.Time     // end of that pause
	request [8]byte
	asked   asked // by the request at hand; kept here, so that nothing is allocated
	answer  [2 * longestFrame]byte
	spare   [longestFrame]byte // what came unasked

	// For waiting: what takes bytes from the socket, and what it took.
	take  func(fd uintptr) (done bool)
	taken int
	fault error
}

// dialRTU connects to a gateway that carries RTU frames over TCP.
func dialRTU(ctx context.Context, o Options) (*rtu, error) {
	dialer := net.Dialer{Timeout: dialLimit}
	conn, err := dialer.DialContext(ctx, "tcp", o.Address)
	if err != nil {
		return nil, err
	}
	raw, err := conn.(*net.TCPConn).SyscallConn()
	if err != nil {
		conn.Close()
		return nil, err
	}
	r := &rtu{conn: conn, raw: raw, timeout: o.Timeout, pause: silence(o.Baud)}
	r.take = r.takeWaiting
	return r, nil
}

func (r *rtu) close() error { return r.conn.Close() }

// silence is t3.5, which parts two frames on a line of so many bit/s: 3.5
// characters of 11 bits up to 19200, and 1.75 ms above (Modbus over Serial Line
// V1.02, section 2.5.1.1). A line that is not known (0) gets none.
func silence(baud int) time.Duration {
	switch {
	case baud <= 0:
		return 0
	case baud <= 19200:
		return 7 * 11 * time.Second / time.Duration(2*baud)
	}
	return 1750 * time.Microsecond
}

// read is one exchange. From the end of the pause on it takes at most the
// time-out, whatever comes.
func (r *rtu) read(unit int, table decode.Table, address, count uint16, into []uint16) *reading.Failure {
	r.asked = ask(unit, table, count)
	frame := append(r.request[:0], r.asked.unit, r.asked.function)
	frame = binary.BigEndian.AppendUint16(frame, address)
	frame = binary.BigEndian.AppendUint16(frame, count)
	if failure := r.exchange(frame); failure != nil {
		return failure
	}
	data, failure := r.receive(&r.asked)
	if failure != nil {
		return failure
	}
	unpack(table, data, into)
	return nil
}

// exchange begins one: it waits for the end of the pause, and sends a request
// with its checksum into an empty socket.
func (r *rtu) exchange(frame []byte) *reading.Failure {
	if r.pause > 0 {
		sleepUntil(r.rested)
	}
	if err := r.conn.SetDeadline(time.Now().Add(r.timeout)); err != nil {
		return r.failed(err, 0)
	}
	switch unasked, err := r.waiting(); {
	case unasked > 0:
		return garbled("bytes came that nobody had asked for (%d or more, % X ...): answers and requests are out of step",
			unasked, r.spare[:min(unasked, 8)])
	case err != nil:
		return r.failed(err, 0)
	}
	if _, err := r.conn.Write(binary.LittleEndian.AppendUint16(frame, crc(frame))); err != nil {
		return r.failed(err, 0)
	}
	return nil
}

// expected is what ties an answer to its request: whole says that got is all of it.
type expected interface {
	check(got []byte) (whole bool, failure *reading.Failure)
}

// receive takes the answer to a request and returns its data.
func (r *rtu) receive(wanted expected) (data []byte, failure *reading.Failure) {
	got := 0
	for whole := false; !whole; {
		n, err := r.conn.Read(r.answer[got:])
		got += n
		if whole, failure = wanted.check(r.answer[:got]); failure != nil && failure.Code == 0 {
			return nil, failure
		}
		if err != nil && !whole {
			return nil, r.failed(err, got)
		}
	}
	if r.pause > 0 {
		r.rested = time.Now().Add(r.pause)
	}
	// An end or an error here is no matter of this answer; the next request
	// finds it.
	if further, _ := r.waiting(); further > 0 {
		return nil, tooMuch(further)
	}
	return r.answer[3 : got-2], failure
}

// failed says how an exchange ended that the connection broke off, after so
// many bytes of an answer.
func (r *rtu) failed(err error, got int) *reading.Failure {
	switch timeout := os.IsTimeout(err); {
	case timeout && got == 0:
		return &reading.Failure{Outcome: reading.Timeout, Err: errors.New("no answer in time")}
	case timeout:
		return &reading.Failure{Outcome: reading.Timeout, Err: fmt.Errorf("only %d bytes of an answer came in time", got)}
	case got > 0:
		return garbled("the connection ended after %d bytes of an answer: %w", got, err)
	case err == io.EOF:
		return &reading.Failure{Outcome: reading.Reset, Err: fmt.Errorf("the other side closed the connection: %w", err)}
	}
	return &reading.Failure{Outcome: outcome(err), Err: err}
}
