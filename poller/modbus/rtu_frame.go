package modbus

import (
	"encoding/binary"
	"fmt"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// refusal is set in the function code of an exception (Modbus Application
// Protocol V1.1b3, section 7).
const refusal = 0x80

// asked is all that ties an answer to its request where answers have no number.
type asked struct {
	unit, function byte
	bytes          int // of data
}

// ask returns what the answer to a request for count registers or bits must be.
func ask(unit int, table decode.Table, count uint16) asked {
	a := asked{unit: byte(unit), bytes: 2 * int(count)}
	switch table {
	case decode.Coil:
		a.function = 0x01
	case decode.Discrete:
		a.function = 0x02
	case decode.Holding:
		a.function = 0x03
	case decode.Input:
		a.function = 0x04
	}
	if table.Bits() {
		a.bytes = (int(count) + 7) / 8
	}
	return a
}

// check reports whether got is the whole answer: unit, function, byte count,
// data and checksum, or unit, function, exception code and checksum, and
// nothing more. It fails as soon as got cannot become one. A failure with a
// code is a whole answer: a refusal.
func (a asked) check(got []byte) (whole bool, failure *reading.Failure) {
	whole, failure = enclosed(got, a.unit, a.function, 3+a.bytes+2)
	if len(got) >= 3 && got[0] == a.unit && got[1] == a.function && int(got[2]) != a.bytes {
		return false, garbled("%d bytes of data were asked for, and the answer has %d", a.bytes, got[2])
	}
	return whole, failure
}

// enclosed reports whether got is a whole answer of so many bytes, or a refusal, with
// the right checksum and nothing behind it.
func enclosed(got []byte, unit, function byte, length int) (whole bool, failure *reading.Failure) {
	if len(got) < 3 {
		return false, nil
	}
	refused := got[1] == function|refusal
	switch {
	case got[0] != unit:
		return false, garbled("unit %d was asked, and the answer is of unit %d", unit, got[0])
	case refused:
		length = 5
	case got[1] != function:
		return false, garbled("function %02X was asked, and the answer is to function %02X", function, got[1])
	}
	switch {
	case len(got) < length:
		return false, nil
	case crc(got[:length-2]) != binary.LittleEndian.Uint16(got[length-2:]):
		return false, garbled("the answer's checksum (CRC) is wrong: bytes were lost or changed on the line")
	case len(got) > length:
		return false, tooMuch(len(got) - length)
	case refused && got[2] == 0:
		return false, garbled("the answer is an exception 00, which does not exist")
	case refused:
		return true, exception(got[2])
	}
	return true, nil
}

// crc is the checksum of a frame, which follows it with the low byte first
// (Modbus over Serial Line V1.02, section 6.2.2: all ones to begin with,
// polynomial A001). At 255 bytes at most a table would gain nothing to speak of.
func crc(frame []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, b := range frame {
		sum ^= uint16(b)
		for range 8 {
			sum = sum>>1 ^ 0xA001&-(sum&1)
		}
	}
	return sum
}

// unpack lays out the data of an answer: registers with the high byte first,
// bits with the lowest first (Modbus Application Protocol V1.1b3, sections 4.2
// and 6.1).
func unpack(table decode.Table, data []byte, into []uint16) {
	for i := range into {
		if table.Bits() {
			into[i] = uint16(data[i/8]>>(i%8)) & 1
		} else {
			into[i] = binary.BigEndian.Uint16(data[2*i:])
		}
	}
}

// tooMuch is the failure of an answer with so many bytes right behind it.
func tooMuch(further int) *reading.Failure {
	return garbled("%d bytes or more came right behind the answer: nobody can say which of them were asked for", further)
}

// garbled is a failure to make sense of what came.
func garbled(format string, arguments ...any) *reading.Failure {
	return &reading.Failure{Outcome: reading.Garbled, Err: fmt.Errorf(format, arguments...)}
}
