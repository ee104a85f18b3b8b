package decode

import (
	"math"
	"math/bits"

	"fanwarden/poller/reading"
)

// Decode turns a point's raw words into its value in the base unit of its
// dimension. words holds Type.Words() registers as they came, or, for a point
// in a table of bits, one word that is 0 or 1.
//
// A raw word that means "no value", a NaN and an infinity have the quality
// Marked and the value 0; everything else is Good. Contacts are 0 or 1. Decode
// does not allocate.
func (e Encoding) Decode(words []uint16) (value float64, q reading.Quality) {
	raw := e.Raw(words)
	for _, invalid := range e.Invalid {
		if raw == invalid {
			return 0, reading.Marked
		}
	}
	if e.Type == Bool || e.Bit != NoBit {
		return e.contact(raw), reading.Good
	}
	value = e.number(raw)*e.Scale + e.Offset
	if e.Unit.Factor != 0 { // a plain number has no unit
		value = e.Unit.Base(value)
	}
	if math.IsNaN(value) || math.IsInf(value, 0) {
		return 0, reading.Marked
	}
	return value, reading.Good
}

// Raw puts a point's words together in its order: the 32 bits of a value that
// takes two registers, the 16 bits of one that takes one. The order of bytes
// inside a single register is fixed by the protocol, so Order says nothing
// about 16-bit values.
func (e Encoding) Raw(words []uint16) uint32 {
	if e.Type.Words() == 1 || len(words) == 1 {
		return uint32(words[0])
	}
	high, low := words[0], words[1]
	if e.Order == CDAB || e.Order == DCBA {
		high, low = low, high
	}
	if e.Order == BADC || e.Order == DCBA {
		high, low = bits.ReverseBytes16(high), bits.ReverseBytes16(low)
	}
	return uint32(high)<<16 | uint32(low)
}

// contact returns 1 for closed and 0 for open.
func (e Encoding) contact(raw uint32) float64 {
	closed := raw != 0
	if e.Bit != NoBit {
		closed = raw>>e.Bit&1 != 0
	}
	if closed != e.Invert {
		return 1
	}
	return 0
}

// number returns the raw value as a number of its type.
func (e Encoding) number(raw uint32) float64 {
	switch e.Type {
	case Int16:
		return float64(int16(raw))
	case Int32:
		return float64(int32(raw))
	case Float32:
		return float64(math.Float32frombits(raw))
	}
	return float64(raw)
}
