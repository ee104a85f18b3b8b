package field

import (
	"encoding/binary"
)

// request is one question as a gateway takes it from its network side.
type request struct {
	transaction uint16 // of Modbus TCP; a serial frame has none
	unit        uint8
	pdu         []byte // function code and data, at least one byte
}

// verdict says what the bytes that have come so far are.
type verdict uint8

const (
	more    verdict = iota // the beginning of a frame
	whole                  // a frame
	nothing                // no frame, and nothing that follows can be told from it
)

// framing is one of the two ways in which requests lie in a stream of bytes.
type framing interface {
	// next takes the first request out of what has come. used is how many bytes
	// of it are done with. idle says that nothing has followed for a while.
	next(come []byte, idle bool) (r request, used int, v verdict)
	// wrap puts an answer into a frame for the one who asked.
	wrap(r request, pdu []byte) []byte
	// serial reports whether the frames carry no transaction.
	serial() bool
}

// The sizes of frames in bytes. Source: Modbus Application Protocol V1.1b3,
// section 4.1 (a PDU is at most 253 bytes), Modbus Messaging on TCP/IP
// Implementation Guide V1.0b, section 3.1.3 (the header).
const (
	longestPDU = 253
	header     = 7 // transaction, protocol, length, unit
)

// mbap is the framing of Modbus TCP:
//
//	transaction (2)  protocol 0 (2)  length (2)  unit (1)  PDU
//
// where the length counts the unit and the PDU.
type mbap struct{}

func (mbap) serial() bool { return false }

func (mbap) next(come []byte, idle bool) (r request, used int, v verdict) {
	if len(come) < header {
		return request{}, 0, more
	}
	length := int(binary.BigEndian.Uint16(come[4:]))
	if binary.BigEndian.Uint16(come[2:]) != 0 || length < 2 || length > 1+longestPDU {
		return request{}, 0, nothing
	}
	end := header - 1 + length
	if len(come) < end {
		return request{}, 0, more
	}
	return request{binary.BigEndian.Uint16(come), come[6], come[header:end]}, end, whole
}

func (mbap) wrap(r request, pdu []byte) []byte {
	frame := make([]byte, header, header+len(pdu))
	binary.BigEndian.PutUint16(frame, r.transaction)
	binary.BigEndian.PutUint16(frame[4:], uint16(1+len(pdu)))
	frame[6] = r.unit
	return append(frame, pdu...)
}
