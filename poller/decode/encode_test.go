package decode

import (
	"math"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// The bit patterns are those of IEEE 754 single precision.
func TestEncode(t *testing.T) {
	pa, inch, percent := unit(t, "Pa"), unit(t, "inH2O"), unit(t, "%")
	tests := []struct {
		name  string
		e     Encoding
		value float64
		want  []uint16
	}{
		{"below zero, in inches", Encoding{Type: Int16, Bit: NoBit, Scale: 0.001, Unit: inch}, -0.120 * 249.08891, []uint16{0xFF88}},
		{"percent", Encoding{Type: Uint16, Bit: NoBit, Scale: 0.1, Unit: percent}, 0.655, []uint16{655}},
		{"offset", Encoding{Type: Uint16, Bit: NoBit, Scale: 0.1, Offset: -5, Unit: percent}, 0.5, []uint16{550}},
		{"rounds to the nearest count", Encoding{Type: Int16, Bit: NoBit, Scale: 1, Unit: pa}, -29.6, []uint16{0xFFE2}},
		{"too high", Encoding{Type: Int16, Bit: NoBit, Scale: 0.1, Unit: pa}, 5000, []uint16{0x7FFF}},
		{"too low", Encoding{Type: Int16, Bit: NoBit, Scale: 0.1, Unit: pa}, -5000, []uint16{0x8000}},
		{"below zero without a sign", Encoding{Type: Uint16, Bit: NoBit, Scale: 1, Unit: pa}, -3, []uint16{0}},
		{"a marker is left to what it means", Encoding{Type: Int16, Bit: NoBit, Scale: 0.1, Unit: pa, Invalid: []uint32{0x8000, 0x7FFF}},
			-5000, []uint16{0x8001}},
		{"two markers in a row", Encoding{Type: Uint16, Bit: NoBit, Scale: 1, Unit: pa, Invalid: []uint32{0, 1}}, 0, []uint16{2}},
		{"no value", Encoding{Type: Int16, Bit: NoBit, Scale: 1, Unit: pa, Invalid: []uint32{0x8000}}, math.NaN(), []uint16{0x8000}},
		{"no value, single precision", Encoding{Type: Float32, Bit: NoBit, Scale: 1, Unit: pa}, math.NaN(), []uint16{0x7FC0, 0}},
		{"low word first", Encoding{Type: Int32, Order: CDAB, Bit: NoBit, Scale: 1, Unit: pa}, -2, []uint16{0xFFFE, 0xFFFF}},
		{"ABCD", Encoding{Type: Float32, Order: ABCD, Bit: NoBit, Scale: 1, Unit: pa}, 123.456, []uint16{0x42F6, 0xE979}},
		{"CDAB", Encoding{Type: Float32, Order: CDAB, Bit: NoBit, Scale: 1, Unit: pa}, 123.456, []uint16{0xE979, 0x42F6}},
		{"BADC", Encoding{Type: Float32, Order: BADC, Bit: NoBit, Scale: 1, Unit: pa}, 123.456, []uint16{0xF642, 0x79E9}},
		{"DCBA", Encoding{Type: Float32, Order: DCBA, Bit: NoBit, Scale: 1, Unit: pa}, 123.456, []uint16{0x79E9, 0xF642}},
		{"beyond single precision", Encoding{Type: Float32, Bit: NoBit, Scale: 1, Unit: pa}, 1e300, []uint16{0x7F7F, 0xFFFF}},
		{"closed", Encoding{Type: Bool, Bit: NoBit}, 1, []uint16{1}},
		{"closed, the other way round", Encoding{Type: Bool, Bit: NoBit, Invert: true}, 1, []uint16{0}},
		{"open, the other way round", Encoding{Type: Bool, Bit: NoBit, Invert: true}, 0, []uint16{1}},
		{"bit 3", Encoding{Type: Uint16, Bit: 3}, 1, []uint16{0x0008}},
		{"bit 15, the other way round", Encoding{Type: Uint16, Bit: 15, Invert: true}, 0, []uint16{0x8000}},
	}
	for _, test := range tests {
		if got := test.e.Encode(test.value); !slices.Equal(got, test.want) {
			t.Errorf("%s: %v = %04X; want %04X", test.name, test.value, got, test.want)
		}
	}
}

// Whatever the encoding, what it encodes is decoded to the same value, to half
// a count (two where a word that means "no value" is in the way).
func TestEncodeIsTheInverseOfDecode(t *testing.T) {
	names := []string{"Pa", "inH2O", "%", "cfm", "W", "kWh", "F", "rpm"}
	rapid.Check(t, func(t *rapid.T) {
		u, _ := units.Find(rapid.SampledFrom(names).Draw(t, "unit"))
		e := Encoding{
			Type:   Type(rapid.IntRange(int(Int16), int(Float32)).Draw(t, "type")),
			Order:  Order(rapid.IntRange(0, 3).Draw(t, "order")),
			Bit:    NoBit,
			Scale:  rapid.SampledFrom([]float64{1, 0.1, 0.001, 10, -1}).Draw(t, "scale"),
			Offset: rapid.SampledFrom([]float64{0, -5, 100}).Draw(t, "offset"),
			Unit:   u,
		}
		if rapid.Bool().Draw(t, "marked") {
			e.Invalid = []uint32{0x8000}
		}
		low, high := e.Type.limits()
		count := rapid.Float64Range(low, high).Draw(t, "count")
		value := u.Base(count*e.Scale + e.Offset)
		got, q := e.Decode(e.Encode(value))
		slack := 0.5000001 + float64(2*len(e.Invalid))
		if e.Type == Float32 {
			slack = math.Abs(count) * 1e-6
		}
		if err := math.Abs(got - value); q != reading.Good || err > math.Abs(slack*e.Scale*u.Factor)+1e-9*math.Abs(value)+1e-5 {
			t.Fatalf("%v came back as %v, %s", value, got, q)
		}
	})
}

func TestContactsComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := Encoding{Type: Uint16, Bit: rapid.IntRange(0, 15).Draw(t, "bit"), Invert: rapid.Bool().Draw(t, "invert")}
		if rapid.Bool().Draw(t, "bool") {
			e.Type, e.Bit = Bool, NoBit
		}
		value := float64(rapid.IntRange(0, 1).Draw(t, "closed"))
		if got, q := e.Decode(e.Encode(value)); got != value || q != reading.Good {
			t.Fatalf("%v came back as %v, %s", value, got, q)
		}
	})
}
