package bacnet

import "math"

// Words makes of a value the two words that are kept and shown as raw, and that
// decode as a float32 of order ABCD: its number as an IEEE single (clause
// 20.2.6), the high word first. A Real is one already; a Double, and a whole
// number above 2^24, is rounded to the nearest, and what is beyond single
// precision is infinite. ok is false where the value is no number.
func (v Value) Words() (words [2]uint16, ok bool) {
	n, ok := v.Number()
	if !ok {
		return words, false
	}
	raw := math.Float32bits(float32(n))
	return [2]uint16{uint16(raw >> 16), uint16(raw)}, true
}

// Contact makes of a value the word of a contact, 1 or 0. Where states are
// given, the value is a state's number, and those are closed; else any number
// but 0 is closed. ok is false where the value is no number.
func (v Value) Contact(states []uint32) (word uint16, ok bool) {
	n, ok := v.Number()
	if !ok || math.IsNaN(n) {
		return 0, false
	}
	if states == nil {
		return bit(n != 0), true
	}
	for _, closed := range states {
		if n == float64(closed) {
			return 1, true
		}
	}
	return 0, true
}

func bit(on bool) uint16 {
	if on {
		return 1
	}
	return 0
}
