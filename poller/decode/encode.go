package decode

import (
	"math"
	"math/bits"
)

// Encode is the inverse of [Encoding.Decode]: it turns a value in the base unit
// of its dimension into the registers that a controller would show for it,
// Type.Words() of them. A value is rounded to the nearest count, and one beyond
// the type's range stands at the end of it. For one bit of a word only that
// bit is set; the caller puts the word together. In a table of bits the word is
// 0 or 1.
//
// NaN stands for "no value": it becomes the first of the words that mean so, or
// 0 where the encoding has none (a NaN where it can hold one). A good value
// never comes out as such a word: it is moved by a count.
func (e Encoding) Encode(value float64) []uint16 {
	words := make([]uint16, e.Type.Words())
	e.put(words, e.raw(value))
	return words
}

// raw returns the bits of a value, in the order of a number.
func (e Encoding) raw(value float64) uint32 {
	if math.IsNaN(value) {
		return e.noValue()
	}
	if e.Type == Bool || e.Bit != NoBit {
		return e.closed(value != 0)
	}
	if e.Unit.Factor != 0 {
		value = e.Unit.From(value)
	}
	value = (value - e.Offset) / e.Scale
	if e.Type == Float32 {
		return e.single(value)
	}
	return e.count(value)
}

// noValue returns the bits that say that there is none.
func (e Encoding) noValue() uint32 {
	switch {
	case len(e.Invalid) > 0:
		return e.Invalid[0]
	case e.Type == Float32:
		return math.Float32bits(float32(math.NaN()))
	}
	return 0
}

// closed returns the bits of a contact.
func (e Encoding) closed(closed bool) uint32 {
	if closed == e.Invert {
		return 0
	}
	return 1 << max(e.Bit, 0)
}

// single returns the bits of a number in single precision, which has infinities
// that would mean "no value".
func (e Encoding) single(value float64) uint32 {
	value = math.Max(-math.MaxFloat32, math.Min(math.MaxFloat32, value))
	if math.IsNaN(value) { // 0 over a scale of 0
		value = 0
	}
	raw := math.Float32bits(float32(value))
	for range e.Invalid {
		if !e.means(raw) {
			break
		}
		raw ^= 1 // the neighbour in the last place
	}
	return raw
}

// count returns the bits of the nearest whole count that the type can hold.
func (e Encoding) count(value float64) uint32 {
	low, high := e.Type.limits()
	if math.IsNaN(value) {
		value = 0
	}
	n := int64(math.Round(math.Max(low, math.Min(high, value))))
	away := int64(1) // from the nearer end of the range
	if float64(n) > (low+high)/2 {
		away = -1
	}
	for range e.Invalid {
		if !e.means(e.Type.mask(n)) {
			break
		}
		n += away
	}
	return e.Type.mask(n)
}

// means reports whether the bits mean "no value".
func (e Encoding) means(raw uint32) bool {
	for _, invalid := range e.Invalid {
		if raw == invalid {
			return true
		}
	}
	return false
}

// limits returns the least and the greatest count of a whole type.
func (t Type) limits() (low, high float64) {
	switch t {
	case Int16:
		return math.MinInt16, math.MaxInt16
	case Int32:
		return math.MinInt32, math.MaxInt32
	case Uint32:
		return 0, math.MaxUint32
	}
	return 0, math.MaxUint16
}

// mask cuts a count to the width of the type.
func (t Type) mask(n int64) uint32 {
	if t.Words() == 1 {
		return uint32(uint16(n))
	}
	return uint32(n)
}

// put is the inverse of Raw.
func (e Encoding) put(words []uint16, raw uint32) {
	if len(words) == 1 {
		words[0] = uint16(raw)
		return
	}
	high, low := uint16(raw>>16), uint16(raw)
	if e.Order == BADC || e.Order == DCBA {
		high, low = bits.ReverseBytes16(high), bits.ReverseBytes16(low)
	}
	if e.Order == CDAB || e.Order == DCBA {
		high, low = low, high
	}
	words[0], words[1] = high, low
}
