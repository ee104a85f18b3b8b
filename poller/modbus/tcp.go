package modbus

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"net"
	"os"
	"slices"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// The head of a frame of Modbus TCP: transaction, protocol 0, length, unit; the
// length counts the unit and what follows it (Modbus Messaging on TCP/IP
// Implementation Guide V1.0b, section 3.1.3).
const (
	headBytes   = 7
	leastLength = 2   // unit and function
	mostLength  = 254 // unit and the longest PDU
)

// tcp speaks Modbus TCP. Each request and each answer is one call of the system,
// and nothing is allocated; the library takes two reads an answer, and eight
// allocations an exchange.
//
// An answer is taken if it has the number of its request. Others are those of
// requests that were given up, or copies; they are passed over, and so are
// frames of another protocol.
type tcp struct {
	conn    net.Conn
	timeout time.Duration
	number  uint16 // of the last request
	request [headBytes + 5]byte
	in      [2 * (headBytes - 1 + mostLength)]byte
	have    int // bytes of in that came and were not used
}

// dialTCP connects to a gateway that speaks Modbus TCP.
func dialTCP(ctx context.Context, o Options) (*tcp, error) {
	dialer := net.Dialer{Timeout: dialLimit}
	conn, err := dialer.DialContext(ctx, "tcp", o.Address)
	if err != nil {
		return nil, err
	}
	return &tcp{conn: conn, timeout: o.Timeout}, nil
}

func (t *tcp) close() error { return t.conn.Close() }

// read is one exchange. It takes at most the time-out, whatever comes.
func (t *tcp) read(unit int, table decode.Table, address, count uint16, into []uint16) *reading.Failure {
	asked := ask(unit, table, count)
	frame := append(t.request[:headBytes-1], asked.unit, asked.function)
	frame = binary.BigEndian.AppendUint16(frame, address)
	frame = binary.BigEndian.AppendUint16(frame, count)
	answer, failure := t.exchange(frame)
	if failure != nil {
		return failure
	}
	switch {
	case len(answer) < 3 || int(answer[2]) != asked.bytes:
		return garbled("%d bytes of data were asked for, and the answer has others", asked.bytes)
	case len(answer) != 3+asked.bytes:
		return garbled("the answer says that it has %d bytes of data, and has %d", answer[2], len(answer)-3)
	}
	unpack(table, answer[3:], into)
	return nil
}

func (t *tcp) write(unit int, table decode.Table, address uint16, words []uint16) *reading.Failure {
	frame := append(make([]byte, headBytes-1), request(unit, table, address, words)...)
	wanted := slices.Clone(frame[headBytes-1:][:6])
	answer, failure := t.exchange(frame)
	if failure == nil && !slices.Equal(answer, wanted) {
		return garbled("the answer to a write does not repeat it: % X for % X", answer, wanted)
	}
	return failure
}

// exchange sends a frame, whose head it fills in, and returns the answer from
// its unit on. The answer is valid until the next call.
func (t *tcp) exchange(frame []byte) ([]byte, *reading.Failure) {
	t.number++
	binary.BigEndian.PutUint16(frame, t.number)
	binary.BigEndian.PutUint16(frame[2:], 0)
	binary.BigEndian.PutUint16(frame[4:], uint16(len(frame)-headBytes+1))
	if err := t.conn.SetDeadline(time.Now().Add(t.timeout)); err != nil {
		return nil, ending(err)
	}
	if _, err := t.conn.Write(frame); err != nil {
		return nil, ending(err)
	}
	for {
		answer, failure := t.next()
		if failure != nil {
			return nil, failure
		}
		if binary.BigEndian.Uint16(answer) == t.number && binary.BigEndian.Uint16(answer[2:]) == 0 {
			return answers(frame[headBytes-1:], answer[headBytes-1:])
		}
	}
}

// next returns the next frame that comes.
func (t *tcp) next() ([]byte, *reading.Failure) {
	for {
		if t.have >= headBytes-1 {
			length := int(binary.BigEndian.Uint16(t.in[4:]))
			if length < leastLength || length > mostLength {
				return nil, garbled("a frame says that it is %d bytes long, which none can be", length)
			}
			if end := headBytes - 1 + length; t.have >= end {
				return t.cut(end), nil
			}
		}
		n, err := t.conn.Read(t.in[t.have:])
		if t.have += n; n == 0 && err != nil {
			return nil, ending(err)
		}
	}
}

// cut takes a frame of so many bytes out of what came, and moves what follows it
// to the front. Nothing follows but a copy, or an answer to a request that was
// given up; only then the frame is copied.
func (t *tcp) cut(end int) []byte {
	rest := t.have - end
	if rest == 0 {
		t.have = 0
		return t.in[:end]
	}
	frame := slices.Clone(t.in[:end])
	t.have = copy(t.in[:], t.in[end:t.have])
	return frame
}

// answers returns the answer to a request, both from the unit on, if it is one.
func answers(asked, got []byte) ([]byte, *reading.Failure) {
	refused := asked[1] | refusal
	switch {
	case got[0] != asked[0]:
		return nil, garbled("unit %d was asked, and the answer is of unit %d", asked[0], got[0])
	case got[1] == refused && (len(got) != 3 || got[2] == 0):
		return nil, garbled("an exception that names no reason")
	case got[1] == refused:
		return nil, exception(got[2])
	case got[1] != asked[1]:
		return nil, garbled("function %02X was asked, and the answer is to function %02X", asked[1], got[1])
	}
	return got, nil
}

// ending says how an exchange ended that the connection broke off.
func ending(err error) *reading.Failure {
	switch {
	case os.IsTimeout(err):
		return &reading.Failure{Outcome: reading.Timeout, Err: errors.New("no answer in time")}
	case errors.Is(err, io.EOF):
		return &reading.Failure{Outcome: reading.Reset, Err: errors.New("the other side closed the connection")}
	}
	return &reading.Failure{Outcome: outcome(err), Err: err}
}
