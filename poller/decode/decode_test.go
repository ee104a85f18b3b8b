package decode

import (
	"math"
	"testing"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

func unit(t *testing.T, name string) units.Unit {
	t.Helper()
	u, ok := units.Find(name)
	if !ok {
		t.Fatalf("no unit %q", name)
	}
	return u
}

// The bit patterns are those of IEEE 754 single precision; the orders are the
// four that the trade uses, since the Modbus Application Protocol V1.1b3
// (section 4.2) fixes the order of bytes inside one register only.
func TestOrders(t *testing.T) {
	tests := []struct {
		order Order
		words [2]uint16
		want  float64
	}{
		{ABCD, [2]uint16{0x42F6, 0xE979}, 123.456},
		{CDAB, [2]uint16{0xE979, 0x42F6}, 123.456},
		{BADC, [2]uint16{0xF642, 0x79E9}, 123.456},
		{DCBA, [2]uint16{0x79E9, 0xF642}, 123.456},
		{ABCD, [2]uint16{0x3EB3, 0x3333}, 0.35},
		{CDAB, [2]uint16{0x3333, 0x3EB3}, 0.35},
		{BADC, [2]uint16{0xB33E, 0x3333}, 0.35},
		{DCBA, [2]uint16{0x3333, 0xB33E}, 0.35},
		{ABCD, [2]uint16{0x3F80, 0x0000}, 1},
		{CDAB, [2]uint16{0x0000, 0x3F80}, 1},
		{BADC, [2]uint16{0x803F, 0x0000}, 1},
		{DCBA, [2]uint16{0x0000, 0x803F}, 1},
	}
	for _, test := range tests {
		e := Encoding{Type: Float32, Order: test.order, Bit: NoBit, Scale: 1, Unit: unit(t, "Pa")}
		got, q := e.Decode(test.words[:])
		if q != reading.Good || got != float64(float32(test.want)) {
			t.Errorf("%s %04X = %v, %s; want %v, good", test.order, test.words, got, q, test.want)
		}
	}
}

func TestDecode(t *testing.T) {
	pa, inch, percent := unit(t, "Pa"), unit(t, "inH2O"), unit(t, "%")
	tests := []struct {
		name  string
		e     Encoding
		words []uint16
		want  float64
		q     reading.Quality
	}{
		{"int16 below zero, to pascals", Encoding{Type: Int16, Bit: NoBit, Scale: 0.001, Unit: inch},
			[]uint16{0xFF88}, -0.120 * 249.08891, reading.Good},
		{"uint16 with the top bit", Encoding{Type: Uint16, Bit: NoBit, Scale: 1, Unit: pa}, []uint16{0xFF88}, 65416, reading.Good},
		{"percent to a ratio", Encoding{Type: Uint16, Bit: NoBit, Scale: 0.1, Unit: percent}, []uint16{655}, 0.655, reading.Good},
		{"offset before the unit", Encoding{Type: Uint16, Bit: NoBit, Scale: 0.1, Offset: -5, Unit: percent},
			[]uint16{550}, 0.5, reading.Good},
		{"int32, low word first", Encoding{Type: Int32, Order: CDAB, Bit: NoBit, Scale: 1, Unit: pa},
			[]uint16{0xFFFE, 0xFFFF}, -2, reading.Good},
		{"uint32", Encoding{Type: Uint32, Bit: NoBit, Scale: 1, Unit: pa}, []uint16{0x8000, 0x0001}, 0x80000001, reading.Good},
		{"plain number without a unit", Encoding{Type: Uint16, Bit: NoBit, Scale: 1}, []uint16{41}, 41, reading.Good},
		{"order says nothing of 16 bits", Encoding{Type: Uint16, Order: DCBA, Bit: NoBit, Scale: 1, Unit: pa},
			[]uint16{0x0102}, 0x0102, reading.Good},
		{"marker", Encoding{Type: Int16, Bit: NoBit, Scale: 1, Unit: pa, Invalid: []uint32{0x8000}},
			[]uint16{0x8000}, 0, reading.Marked},
		{"marker of 32 bits in the point's order", Encoding{Type: Uint32, Order: CDAB, Bit: NoBit, Scale: 1, Unit: pa,
			Invalid: []uint32{0x80000001}}, []uint16{0x0001, 0x8000}, 0, reading.Marked},
		{"NaN", Encoding{Type: Float32, Bit: NoBit, Scale: 1, Unit: pa}, []uint16{0x7FC0, 0}, 0, reading.Marked},
		{"infinity", Encoding{Type: Float32, Bit: NoBit, Scale: 1, Unit: pa}, []uint16{0xFF80, 0}, 0, reading.Marked},
		{"contact closed", Encoding{Type: Bool, Bit: NoBit}, []uint16{1}, 1, reading.Good},
		{"contact the other way round", Encoding{Type: Bool, Bit: NoBit, Invert: true}, []uint16{1}, 0, reading.Good},
		{"contact in a register", Encoding{Type: Bool, Bit: NoBit}, []uint16{0xFF00}, 1, reading.Good},
		{"bit 3", Encoding{Type: Uint16, Bit: 3}, []uint16{0x0008}, 1, reading.Good},
		{"bit 3 open", Encoding{Type: Uint16, Bit: 3}, []uint16{0xFFF7}, 0, reading.Good},
		{"bit 15, other way round", Encoding{Type: Uint16, Bit: 15, Invert: true}, []uint16{0x7FFF}, 1, reading.Good},
		{"bit of a word that means no value", Encoding{Type: Uint16, Bit: 0, Invalid: []uint32{0xFFFF}},
			[]uint16{0xFFFF}, 0, reading.Marked},
	}
	for _, test := range tests {
		got, q := test.e.Decode(test.words)
		if q != test.q || math.Abs(got-test.want) > 1e-9*math.Max(1, math.Abs(test.want)) {
			t.Errorf("%s: %v, %s; want %v, %s", test.name, got, q, test.want, test.q)
		}
	}
}

func TestDecodeDoesNotAllocate(t *testing.T) {
	e := Encoding{Type: Float32, Order: CDAB, Bit: NoBit, Scale: 0.1, Unit: unit(t, "inH2O"), Invalid: []uint32{1, 2}}
	words := []uint16{0xE979, 0x42F6}
	if n := testing.AllocsPerRun(100, func() { e.Decode(words) }); n != 0 {
		t.Errorf("%v allocations a value; want none", n)
	}
}

// Whatever the words, a value is a number or it is marked.
func FuzzDecode(f *testing.F) {
	f.Add(uint8(5), uint8(1), uint16(0x7FC0), uint16(0), 0.1, 1.0)
	f.Add(uint8(1), uint8(0), uint16(0x8000), uint16(0), 1.0, 0.0)
	f.Add(uint8(4), uint8(3), uint16(0xFFFF), uint16(0xFFFF), 1e300, 1e300)
	f.Fuzz(func(t *testing.T, kind, order uint8, first, second uint16, scale, offset float64) {
		e := Encoding{Type: Type(kind % 6), Order: Order(order % 4), Bit: NoBit, Scale: scale, Offset: offset}
		value, q := e.Decode([]uint16{first, second})
		if math.IsNaN(value) || math.IsInf(value, 0) {
			t.Fatalf("%v came out as a value", value)
		}
		if q != reading.Good && q != reading.Marked {
			t.Fatalf("quality %s", q)
		}
	})
}
