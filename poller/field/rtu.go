package field

import "encoding/binary"

// rtu is the framing of a serial line, sent over a connection:
//
//	unit (1)  PDU  CRC (2, the low byte first)
//
// A frame does not tell its length; the function does, as far as it is known.
// A frame of an unknown function ends where the line falls silent.
//
// Source: MODBUS over Serial Line V1.02, section 2.5.1.
type rtu struct{}

// The bytes of a serial frame.
const (
	shortestRTU = 4 // unit, function, CRC
	checkBytes  = 2
)

func (rtu) serial() bool { return true }

func (rtu) next(come []byte, idle bool) (r request, used int, v verdict) {
	length, known := rtuLength(come)
	switch {
	case known && length > len(come), !known && !idle:
		if idle {
			return request{}, len(come), nothing // cut short
		}
		return request{}, 0, more
	case !known:
		length = len(come)
	}
	if length < shortestRTU || !checked(come[:length]) {
		return request{}, len(come), nothing
	}
	return request{unit: come[0], pdu: come[1 : length-checkBytes]}, length, whole
}

// rtuLength returns how long the first frame is, if its function tells.
func rtuLength(come []byte) (length int, known bool) {
	if len(come) < 2 {
		return shortestRTU, len(come) > 0
	}
	switch come[1] {
	case readCoils, readDiscrete, readHolding, readInput, writeCoil, writeRegister:
		return 8, true // unit, function, two words, CRC
	case writeCoils, writeRegisters:
		if len(come) < 7 {
			return 7 + checkBytes, true
		}
		return 7 + int(come[6]) + checkBytes, true
	}
	return 0, false
}

func (rtu) wrap(r request, pdu []byte) []byte {
	frame := append(make([]byte, 0, 1+len(pdu)+checkBytes), r.unit)
	frame = append(frame, pdu...)
	return binary.LittleEndian.AppendUint16(frame, crc(frame))
}

// checked reports whether the last two bytes of a frame are its checksum.
func checked(frame []byte) bool {
	end := len(frame) - checkBytes
	return binary.LittleEndian.Uint16(frame[end:]) == crc(frame[:end])
}

// crc returns the checksum of a serial frame: CRC-16 with the polynomial A001
// and all bits set to begin with. Source: MODBUS over Serial Line V1.02,
// section 6.2.2.
func crc(frame []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, b := range frame {
		sum ^= uint16(b)
		for range 8 {
			odd := sum&1 != 0
			sum >>= 1
			if odd {
				sum ^= 0xA001
			}
		}
	}
	return sum
}
