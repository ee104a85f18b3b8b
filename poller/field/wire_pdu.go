package field

import (
	"encoding/binary"

	"fanwarden/poller/decode"
)

// The functions that are served. Source: Modbus Application Protocol V1.1b3,
// section 6.
const (
	readCoils      = 0x01
	readDiscrete   = 0x02
	readHolding    = 0x03
	readInput      = 0x04
	writeCoil      = 0x05
	writeRegister  = 0x06
	writeCoils     = 0x0F
	writeRegisters = 0x10
)

// exception is the code of a refusal; 0 is none. Source: Modbus Application
// Protocol V1.1b3, section 7.
type exception uint8

const (
	accepted         exception = 0
	illegalFunction  exception = 0x01
	illegalAddress   exception = 0x02
	illegalValue     exception = 0x03
	targetUnanswered exception = 0x0B // the gateway lives and the unit is silent
)

// refuse returns the answer that refuses a request.
func refuse(function uint8, code exception) []byte { return []byte{function | 0x80, uint8(code)} }

// The most of a table that one request may ask for or write. Source: Modbus
// Application Protocol V1.1b3, sections 6.1 to 6.4, 6.11 and 6.12.
const (
	mostBits         = 2000
	mostRegisters    = 125
	mostBitsWritten  = 1968
	mostWordsWritten = 123
)

// span is a run of addresses in a table.
type span struct {
	table decode.Table
	first int
	count int
	words []uint16 // what is to be written there; nil for a read
}

// parse reads what a request asks for.
func parse(pdu []byte) (span, exception) {
	switch pdu[0] {
	case readCoils, readDiscrete, readHolding, readInput:
		return parseRead(pdu)
	case writeCoil, writeRegister:
		return parseSingle(pdu)
	case writeCoils, writeRegisters:
		return parseMany(pdu)
	}
	return span{}, illegalFunction
}

// parseRead: function, first address (2), count (2).
func parseRead(pdu []byte) (span, exception) {
	if len(pdu) != 5 {
		return span{}, illegalValue
	}
	tables := [...]decode.Table{readCoils: decode.Coil, readDiscrete: decode.Discrete, readHolding: decode.Holding,
		readInput: decode.Input}
	s := span{table: tables[pdu[0]], first: word(pdu, 1), count: word(pdu, 3)}
	most := mostRegisters
	if s.table.Bits() {
		most = mostBits
	}
	return s, s.within(most)
}

// parseSingle: function, address (2), value (2); a coil is FF00 or 0000.
func parseSingle(pdu []byte) (span, exception) {
	if len(pdu) != 5 {
		return span{}, illegalValue
	}
	value := uint16(word(pdu, 3))
	s := span{table: decode.Holding, first: word(pdu, 1), count: 1, words: []uint16{value}}
	if pdu[0] == writeCoil {
		if value != 0 && value != 0xFF00 {
			return s, illegalValue
		}
		s.table, s.words[0] = decode.Coil, value>>15
	}
	return s, accepted
}

// parseMany: function, first address (2), count (2), byte count (1), data.
func parseMany(pdu []byte) (span, exception) {
	if len(pdu) < 6 || len(pdu) != 6+int(pdu[5]) {
		return span{}, illegalValue
	}
	s := span{table: decode.Holding, first: word(pdu, 1), count: word(pdu, 3)}
	most, size, data := mostWordsWritten, 2*s.count, pdu[6:]
	if pdu[0] == writeCoils {
		s.table, most, size = decode.Coil, mostBitsWritten, (s.count+7)/8
	}
	if size != len(data) {
		return s, illegalValue
	}
	if refused := s.within(most); refused != accepted {
		return s, refused
	}
	s.words = make([]uint16, s.count)
	for i := range s.words {
		if s.table.Bits() {
			s.words[i] = uint16(data[i/8]>>(i%8)) & 1
		} else {
			s.words[i] = uint16(word(data, 2*i))
		}
	}
	return s, accepted
}

// within checks the count first and the addresses second, in the order of the
// state diagrams of the protocol.
func (s span) within(most int) exception {
	switch {
	case s.count < 1 || s.count > most:
		return illegalValue
	case s.first+s.count > 1<<16:
		return illegalAddress
	}
	return accepted
}

func word(bytes []byte, at int) int { return int(binary.BigEndian.Uint16(bytes[at:])) }

// answerRead returns the answer to a read: function, byte count, data. Bits are
// packed eight to a byte, the first one the least significant.
func answerRead(function uint8, s span, words []uint16) []byte {
	if !s.table.Bits() {
		pdu := append(make([]byte, 0, 2+2*len(words)), function, uint8(2*len(words)))
		for _, w := range words {
			pdu = binary.BigEndian.AppendUint16(pdu, w)
		}
		return pdu
	}
	size := (len(words) + 7) / 8
	pdu := make([]byte, 2+size)
	pdu[0], pdu[1] = function, uint8(size)
	for i, w := range words {
		if w != 0 {
			pdu[2+i/8] |= 1 << (i % 8)
		}
	}
	return pdu
}
