// Package decode turns raw words into values in base units: types, byte
// orders, bits, scales and the words that mean "no value".
package decode

import "fanwarden/poller/units"

// Table is one of the four tables of the Modbus data model.
type Table uint8

// The tables, with the function code that reads each (Modbus Application
// Protocol V1.1b3, section 6).
const (
	Coil     Table = iota // function 01
	Discrete              // function 02
	Holding               // function 03
	Input                 // function 04
)

// String returns the table's name in point maps.
func (t Table) String() string { return [...]string{"coil", "discrete", "holding", "input"}[t] }

// Bits reports whether the table holds single bits rather than 16-bit words.
func (t Table) Bits() bool { return t == Coil || t == Discrete }

// FindTable returns the table of that name.
func FindTable(name string) (Table, bool) {
	for t := Coil; t <= Input; t++ {
		if t.String() == name {
			return t, true
		}
	}
	return 0, false
}

// Type is how a value lies in its words.
type Type uint8

// The types of a point map.
const (
	Bool Type = iota
	Int16
	Uint16
	Int32
	Uint32
	Float32
)

// String returns the type's name in point maps.
func (t Type) String() string {
	return [...]string{"bool", "int16", "uint16", "int32", "uint32", "float32"}[t]
}

// Words returns how many registers a value of the type takes, 1 or 2. (In a
// table of bits every value is one bit.)
func (t Type) Words() int {
	if t >= Int32 {
		return 2
	}
	return 1
}

// FindType returns the type of that name.
func FindType(name string) (Type, bool) {
	for t := Bool; t <= Float32; t++ {
		if t.String() == name {
			return t, true
		}
	}
	return 0, false
}

// Order is the order of the bytes of a 32-bit value, A being the most
// significant. Modbus fixes the order inside one register only.
type Order uint8

// The orders.
const (
	ABCD Order = iota // high word first
	CDAB              // low word first
	BADC              // high word first, bytes of each word swapped
	DCBA              // low word first, bytes of each word swapped
)

// String returns the order's name in point maps.
func (o Order) String() string { return [...]string{"ABCD", "CDAB", "BADC", "DCBA"}[o] }

// FindOrder returns the order of that name.
func FindOrder(name string) (Order, bool) {
	for o := ABCD; o <= DCBA; o++ {
		if o.String() == name {
			return o, true
		}
	}
	return 0, false
}

// Encoding says how one point's raw words become its value:
//
//	value in Unit = number(words) * Scale + Offset
//
// and from there to the base unit. Contacts (Type Bool, or a Bit) have no
// scale and no unit; Invert turns them round.
type Encoding struct {
	Type    Type
	Order   Order
	Bit     int // 0 to 15: one bit of a word, the least significant first; NoBit: the whole word
	Scale   float64
	Offset  float64
	Unit    units.Unit
	Invalid []uint32 // raw words that mean "no value", in the type's width and the point's order
	Invert  bool
}

// NoBit is the Bit of an encoding that takes the whole word.
const NoBit = -1
