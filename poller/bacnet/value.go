package bacnet

import (
	"encoding/binary"
	"math"
	"unicode/utf16"
)

// Type is an application tag of clause 20.2.1.4.
type Type uint8

// The types of values. Constructed stands for bracketed data, which is kept as
// it came.
const (
	Null Type = iota
	Boolean
	Unsigned
	Signed
	Real
	Double
	OctetString
	CharacterString
	BitString
	Enumerated
	Date
	Time
	Object
	Constructed Type = 255
)

var typeNames = [...]string{"null", "boolean", "unsigned", "signed", "real", "double", "octet string",
	"character string", "bit string", "enumerated", "date", "time", "object"}

// String returns the type in words.
func (t Type) String() string {
	if int(t) < len(typeNames) {
		return typeNames[t]
	}
	return "constructed"
}

// Value is one value as it stands on the wire: its type and its content. A
// Boolean's content is one byte, 0 or 1.
type Value struct {
	Type    Type
	Content []byte
}

// NullValue relinquishes a priority of a commandable property.
func NullValue() Value { return Value{Type: Null} }

// BooleanValue is true or false.
func BooleanValue(on bool) Value {
	if on {
		return Value{Boolean, []byte{1}}
	}
	return Value{Boolean, []byte{0}}
}

// UnsignedValue is a whole number from 0 on.
func UnsignedValue(n uint64) Value { return Value{Unsigned, minimal(n)} }

// EnumeratedValue is the number of an enumeration.
func EnumeratedValue(n uint32) Value { return Value{Enumerated, minimal(uint64(n))} }

// RealValue is a number of 32 bits (IEEE 754).
func RealValue(f float32) Value {
	return Value{Real, binary.BigEndian.AppendUint32(nil, math.Float32bits(f))}
}

// DoubleValue is a number of 64 bits (IEEE 754).
func DoubleValue(f float64) Value {
	return Value{Double, binary.BigEndian.AppendUint64(nil, math.Float64bits(f))}
}

// TextValue is a character string in UTF-8 (character set 0).
func TextValue(s string) Value { return Value{CharacterString, append([]byte{0}, s...)} }

// ObjectValue is an object identifier.
func ObjectValue(o ObjectID) Value {
	return Value{Object, binary.BigEndian.AppendUint32(nil, o.raw())}
}

// BitsValue is a bit string, the first bit first.
func BitsValue(bits ...bool) Value {
	content := make([]byte, 1+(len(bits)+7)/8)
	content[0] = uint8((8 - len(bits)%8) % 8)
	for i, on := range bits {
		if on {
			content[1+i/8] |= 0x80 >> (i % 8)
		}
	}
	return Value{BitString, content}
}

// Number returns the value of any numeric type, of a Boolean (0 or 1) and of an
// Enumerated, and whether it is one.
func (v Value) Number() (float64, bool) {
	switch {
	case v.Type == Real && len(v.Content) == 4:
		return float64(math.Float32frombits(binary.BigEndian.Uint32(v.Content))), true
	case v.Type == Double && len(v.Content) == 8:
		return math.Float64frombits(binary.BigEndian.Uint64(v.Content)), true
	case v.Type == Signed && len(v.Content) >= 1 && len(v.Content) <= 8:
		shift := 64 - 8*len(v.Content)
		return float64(int64(unsigned(v.Content)<<shift) >> shift), true
	}
	n, ok := v.Unsigned()
	return float64(n), ok
}

// Unsigned returns the value of an Unsigned, an Enumerated or a Boolean.
func (v Value) Unsigned() (uint64, bool) {
	whole := v.Type == Unsigned || v.Type == Enumerated || v.Type == Boolean
	if !whole || len(v.Content) == 0 || len(v.Content) > 8 {
		return 0, false
	}
	return unsigned(v.Content), true
}

// Text returns a character string. Of the character sets those of Unicode and
// ISO 8859-1 are understood (0, 4 and 5; their numbers are from memory).
func (v Value) Text() (string, bool) {
	if v.Type != CharacterString || len(v.Content) == 0 {
		return "", false
	}
	content := v.Content[1:]
	switch v.Content[0] {
	case 0:
		return string(content), true
	case 4:
		units := make([]uint16, len(content)/2)
		for i := range units {
			units[i] = binary.BigEndian.Uint16(content[2*i:])
		}
		return string(utf16.Decode(units)), true
	case 5:
		runes := make([]rune, len(content))
		for i, b := range content {
			runes[i] = rune(b)
		}
		return string(runes), true
	}
	return "", false
}

// Object returns an object identifier.
func (v Value) Object() (ObjectID, bool) {
	if v.Type != Object || len(v.Content) != 4 {
		return ObjectID{}, false
	}
	return objectID(binary.BigEndian.Uint32(v.Content)), true
}

// Bit reports whether a bit string has bit n, from 0 on, and whether it is set.
func (v Value) Bit(n int) (set, ok bool) {
	if v.Type != BitString || len(v.Content) < 2 || v.Content[0] > 7 || n < 0 ||
		n >= 8*(len(v.Content)-1)-int(v.Content[0]) {
		return false, false
	}
	return v.Content[1+n/8]&(0x80>>(n%8)) != 0, true
}

// append writes the value with its application tag.
func (v Value) append(b []byte) []byte {
	switch {
	case v.Type == Constructed:
		return append(b, v.Content...)
	case v.Type == Boolean:
		return append(b, uint8(Boolean)<<4|v.Content[0]&1)
	}
	return append(appendTag(b, uint8(v.Type), 0, len(v.Content)), v.Content...)
}

// deepest bounds how far brackets may stand in brackets.
const deepest = 16

// value takes the next value.
func (r *reader) value() Value {
	whole := r.rest
	t := r.tag()
	switch {
	case t.context:
		r.skip(t, 0)
		if r.bad {
			return Value{}
		}
		return Value{Constructed, whole[: len(whole)-len(r.rest) : len(whole)-len(r.rest)]}
	case t.number == uint8(Boolean):
		if t.length > 1 {
			r.fail()
		}
		return Value{Boolean, []byte{uint8(t.length)}}
	case t.number > uint8(Object):
		r.fail()
		return Value{}
	case t.length == 0:
		return Value{Type: Type(t.number)}
	}
	return Value{Type(t.number), r.take(t.length)}
}

// skip passes over a context-tagged element whose head has been taken.
func (r *reader) skip(t tag, depth int) {
	switch {
	case t.kind == 0 && !t.context && t.number == uint8(Boolean):
	case t.kind == 0:
		r.take(t.length)
	case t.kind == closing || depth > deepest:
		r.fail()
	default:
		for !r.bad && !r.next(t.number, closing) {
			r.skip(r.tag(), depth+1)
		}
		r.bracket(t.number, closing)
	}
}

// values takes what stands in a bracket.
func (r *reader) values(number uint8) (all []Value) {
	r.bracket(number, opening)
	for !r.bad && !r.next(number, closing) {
		all = append(all, r.value())
	}
	r.bracket(number, closing)
	return all
}

// appendValues writes values in a bracket.
func appendValues(b []byte, number uint8, values []Value) []byte {
	b = appendOpening(b, number)
	for _, v := range values {
		b = v.append(b)
	}
	return appendClosing(b, number)
}
