package modbus

import (
	"encoding/binary"
	"fmt"
	"slices"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// Write writes one coil (a word that is 0 or 1), or one or two holding
// registers, from address on: function 05, 06 or 10 (Modbus Application Protocol
// V1.1b3, sections 6.5, 6.6 and 6.12). A write that was not answered may have
// been done, or may not: the caller reads back.
//
// Nothing that polls writes; only an exercise at turnover does.
//
// Errors are as those of Read.
func (s *Session) Write(unit int, table decode.Table, address int, words []uint16) error {
	if s.ended {
		return errEnded
	}
	if table == decode.Discrete || table == decode.Input || len(words) == 0 || len(words) > 2 || table == decode.Coil && len(words) > 1 {
		return &reading.Failure{Outcome: reading.Garbled, Err: fmt.Errorf("%d words cannot be written to a %s table", len(words), table)}
	}
	failure := s.over.write(unit, table, uint16(address), words)
	if failure == nil {
		return nil
	}
	if failure.Code == 0 {
		s.Close()
	}
	return failure
}

func (l *library) write(unit int, table decode.Table, address uint16, words []uint16) *reading.Failure {
	if unit != l.unit {
		l.client.SetUnitId(uint8(unit)) // never fails
		l.unit = unit
	}
	var err error
	switch {
	case table == decode.Coil:
		err = l.client.WriteCoil(address, words[0] != 0)
	case len(words) == 1:
		err = l.client.WriteRegister(address, words[0])
	default:
		err = l.client.WriteRegisters(address, words)
	}
	if err != nil {
		return classify(err)
	}
	return nil
}

func (r *rtu) write(unit int, table decode.Table, address uint16, words []uint16) *reading.Failure {
	frame := request(unit, table, address, words)
	if failure := r.exchange(frame); failure != nil {
		return failure
	}
	_, failure := r.receive(repeats(frame[:6]))
	return failure
}

// request is the frame of a write, without its checksum.
func request(unit int, table decode.Table, address uint16, words []uint16) []byte {
	frame := []byte{byte(unit), 0x06}
	switch {
	case table == decode.Coil:
		frame[1] = 0x05
	case len(words) > 1:
		frame[1] = 0x10
	}
	frame = binary.BigEndian.AppendUint16(frame, address)
	switch {
	case table == decode.Coil && words[0] != 0:
		return append(frame, 0xFF, 0x00)
	case table == decode.Coil:
		return append(frame, 0x00, 0x00)
	case len(words) > 1:
		frame = binary.BigEndian.AppendUint16(frame, uint16(len(words)))
		frame = append(frame, byte(2*len(words)))
	}
	for _, w := range words {
		frame = binary.BigEndian.AppendUint16(frame, w)
	}
	return frame
}

// repeats is the answer to a write: the first six bytes of the request, and the
// checksum.
type repeats []byte

func (e repeats) check(got []byte) (whole bool, failure *reading.Failure) {
	whole, failure = enclosed(got, e[0], e[1], len(e)+2)
	if whole && failure == nil && !slices.Equal(got[:len(e)], e) {
		return true, garbled("the answer to a write does not repeat it: % X for % X", got[:len(e)], []byte(e))
	}
	return whole, failure
}
