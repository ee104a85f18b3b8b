package config

import (
	"slices"
	"testing"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/units"
)

func TestValueWords(t *testing.T) {
	number := PlacedPoint{Encoding: decode.Encoding{Type: decode.Float32, Bit: decode.NoBit}}
	contact := PlacedPoint{Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}}
	states := contact
	states.States = []uint32{2, 3}
	for _, c := range []struct {
		p      PlacedPoint
		values []bacnet.Value
		want   []uint16
	}{
		{number, []bacnet.Value{bacnet.RealValue(72.3)}, []uint16{0x4290, 0x999A}}, // the words are those of Annex F
		{number, []bacnet.Value{bacnet.TextValue("72.3")}, nil},
		{number, []bacnet.Value{bacnet.RealValue(1), bacnet.RealValue(2)}, nil},
		{number, nil, nil},
		{contact, []bacnet.Value{bacnet.EnumeratedValue(1)}, []uint16{1}},
		{contact, []bacnet.Value{bacnet.NullValue()}, nil},
		{states, []bacnet.Value{bacnet.UnsignedValue(3)}, []uint16{1}},
		{states, []bacnet.Value{bacnet.UnsignedValue(1)}, []uint16{0}},
	} {
		if got := c.p.ValueWords(c.values); !slices.Equal(got, c.want) || (got == nil) != (c.want == nil) {
			t.Errorf("%v of %v: %04X, want %04X", c.values, c.p.Encoding.Type, got, c.want)
		}
	}
}

// The numbers of the units are those of BACnetEngineeringUnits.
func TestUnitsOfDevicesAgainstTheMap(t *testing.T) {
	const (
		pascals, inches, percent, volts, rpm, hertz, celsius, kelvin = 53, 58, 98, 5, 104, 27, 62, 63
		minutes, hours                                               = 72, 71
	)
	for _, c := range []struct {
		unit          string
		scale, offset float64
		stated        bacnet.EngineeringUnits
		agrees        bool
	}{
		{"Pa", 1, 0, pascals, true},
		{"Pa", -1, 0, pascals, true},
		{"Pa", 1, 0, inches, false},
		{"inH2O", 1, 0, pascals, false},
		{"Pa", 249.09, 0, inches, true},
		{"Pa", 248, 0, inches, true}, // within a hundredth
		{"Pa", 246, 0, inches, false},
		{"Pa", 1, 0, percent, false}, // another kind
		{"Pa", 1, 0, bacnet.NoUnits, true},
		{"Pa", 1, 0, 9999, true},
		{"Pa", 1, 0, 77, true},       // feet-per-minute: the fleet file has no such unit
		{"inH2O", 1, 0, 57, false},   // centimeters of water
		{"Pa", 98.0665, 0, 57, true}, // in Pa, as a map has to write it
		{"Pa", 1, 0, 56, false},      // pounds per square inch
		{"Pa", 6895, 0, 56, true},
		{"Pa", 100000, 0, 55, true}, // bars
		{"mmH2O", 1, 0, 59, false},  // millimeters of mercury
		{"Pa", 3386, 0, 61, true},   // inches of mercury
		{"L/s", 1, 0, 88, false},    // litres a minute
		{"L/s", 1.0 / 60, 0, 88, true},
		{"m3/h", 0.001, 0, 136, true}, // litres an hour
		{"%", 1, 0, percent, true},
		{"%", 10, 0, volts, true},
		{"%", 1, 0, volts, false},
		{"V", 1, 0, volts, true},
		{"h", 1, 0, hours, true},
		{"h", 1, 0, minutes, false},
		{"C", 1, 0, celsius, true},
		{"C", 1, 0.5, celsius, true},
		{"C", 1, 0, kelvin, false},
		{"C", 1, -273.15, kelvin, true},
	} {
		u, _ := units.Find(c.unit)
		p := PlacedPoint{Encoding: decode.Encoding{Scale: c.scale, Offset: c.offset, Unit: u}}
		if got := p.Agrees(c.stated); got != c.agrees {
			t.Errorf("a map of %g %s %+g, a device of %v: agrees %v", c.scale, c.unit, c.offset, c.stated, got)
		}
	}
	placed := PlacedPoint{Encoding: decode.Encoding{Scale: 1, Unit: units.Unit{Name: "rpm", Dimension: units.Ratio, Factor: 1.0 / 1750}}}
	if !placed.Agrees(rpm) || placed.Agrees(percent) || !placed.Agrees(hertz) {
		t.Error("a speed in rpm")
	}
	inchesSaid := PlacedPoint{Encoding: decode.Encoding{Scale: 1, Unit: units.Unit{Name: "Pa", Dimension: units.Pressure, Factor: 1}}, DeviceUnit: inches, HasDeviceUnit: true}
	if !inchesSaid.Agrees(inches) || inchesSaid.Agrees(54) || !inchesSaid.Agrees(pascals) {
		t.Error("a unit that the device states wrongly")
	}
	if !(PlacedPoint{}).Agrees(pascals) {
		t.Error("a contact has no unit to hold against")
	}
}

func TestWhatAnObjectSpeaksOf(t *testing.T) {
	at := func(kind bacnet.ObjectType, property bacnet.PropertyID) PlacedPoint {
		return PlacedPoint{Object: bacnet.Reference{Object: bacnet.ObjectID{Type: kind}, Property: property}}
	}
	if !at(bacnet.AnalogInput, bacnet.PresentValue).Stated() || at(bacnet.BinaryInput, bacnet.PresentValue).Stated() ||
		at(bacnet.AnalogOutput, bacnet.RelinquishDefault).Stated() || at(bacnet.AnalogOutput, bacnet.RelinquishDefault).Present() {
		t.Error("what states a unit")
	}
}
