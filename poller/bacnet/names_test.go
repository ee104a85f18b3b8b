package bacnet

import (
	"math"
	"testing"
)

// The numbers and names are those of clause 21, BACnetObjectType,
// BACnetPropertyIdentifier and BACnetEngineeringUnits.
func TestNamesLeadBack(t *testing.T) {
	for kind, name := range objectNames {
		if got, ok := FindObjectType(name); !ok || got != kind || kind.String() != name {
			t.Errorf("%s: %d", name, got)
		}
	}
	for property, name := range propertyNames {
		if got, ok := FindProperty(name); !ok || got != property || property.String() != name {
			t.Errorf("%s: %d", name, got)
		}
	}
	for u, names := range unitNames {
		for _, name := range []string{names.standard, names.file} {
			if got, ok := FindUnits(name); name != "" && (!ok || got != u) {
				t.Errorf("%s: %d", name, got)
			}
		}
	}
	if _, ok := FindUnits(""); ok {
		t.Error("a unit without a name")
	}
	if len(PropertyNames()) != len(propertyNames)-len(texts) || ObjectTypeNames()[0] != "analog-input" {
		t.Error(PropertyNames(), ObjectTypeNames())
	}
}

func TestParseObject(t *testing.T) {
	for text, want := range map[string]string{"analog-input,3": "analog-input,3", "binary-value, 0": "binary-value,0",
		"object-type-130,4194302": "object-type-130,4194302", "object-type-2,1": "analog-value,1",
		"analog-input,4194303": "", "analog-input:3": "", "analog-input": "", "analog-input,": "", "analog-input,-1": "",
		"object-type-1024,1": "", "AI,3": "", "": ""} {
		got, ok := ParseObject(text)
		if ok != (want != "") || ok && got.String() != want {
			t.Errorf("%q: %v, %v", text, got, ok)
		}
	}
	for _, name := range []string{"present value", "0", "-1", "4194304", ""} {
		if p, ok := FindProperty(name); ok {
			t.Errorf("%q is %v", name, p)
		}
	}
	if p, ok := FindProperty("512"); !ok || p != 512 || p.String() != "512" {
		t.Error(p, ok)
	}
}

func TestReferencesAndUnitsForPeople(t *testing.T) {
	p := Reference{Object: ObjectID{AnalogValue, 7}, Property: PresentValue}
	if got := p.String(); got != "analog-value,7" {
		t.Error(got)
	}
	p.Property, p.Indexed, p.Index = PriorityArray, true, 10
	if got := p.String(); got != "analog-value,7 priority-array[10]" {
		t.Error(got)
	}
	for u, want := range map[EngineeringUnits]string{58: "inH2O", 77: "feet-per-minute", 9999: "unit number 9999", NoUnits: "no-units"} {
		if u.String() != want {
			t.Errorf("%d: %s", u, u)
		}
	}
	if u, ok := EnumeratedValue(98).Units(); !ok || u != 98 {
		t.Error(u, ok)
	}
	if _, ok := UnsignedValue(98).Units(); ok {
		t.Error("an Unsigned is no enumeration")
	}
}

// The Real is the one of Annex F (72.3 is 0x4290999A); the other words follow
// from IEEE 754.
func TestValuesAsWords(t *testing.T) {
	for _, c := range []struct {
		v    Value
		want [2]uint16
		ok   bool
	}{
		{RealValue(72.3), [2]uint16{0x4290, 0x999A}, true},
		{DoubleValue(72.3), [2]uint16{0x4290, 0x999A}, true},
		{UnsignedValue(3), [2]uint16{0x4040, 0}, true},
		{UnsignedValue(1<<24 + 1), [2]uint16{0x4B80, 0}, true}, // rounded to even
		{DoubleValue(1e300), [2]uint16{0x7F80, 0}, true},
		{Value{Signed, []byte{0xFF}}, [2]uint16{0xBF80, 0}, true},
		{EnumeratedValue(2), [2]uint16{0x4000, 0}, true},
		{BooleanValue(true), [2]uint16{0x3F80, 0}, true},
		{TextValue("72.3"), [2]uint16{}, false},
		{NullValue(), [2]uint16{}, false},
		{Value{Real, []byte{0x42}}, [2]uint16{}, false},
	} {
		if got, ok := c.v.Words(); got != c.want || ok != c.ok {
			t.Errorf("%v: %04X %v, want %04X %v", c.v, got, ok, c.want, c.ok)
		}
	}
}

func TestContacts(t *testing.T) {
	for _, c := range []struct {
		v      Value
		states []uint32
		want   uint16
		ok     bool
	}{
		{EnumeratedValue(1), nil, 1, true},
		{EnumeratedValue(0), nil, 0, true},
		{RealValue(0.5), nil, 1, true},
		{BooleanValue(false), nil, 0, true},
		{UnsignedValue(3), []uint32{2, 3}, 1, true},
		{UnsignedValue(1), []uint32{2, 3}, 0, true},
		{RealValue(float32(math.NaN())), nil, 0, false},
		{NullValue(), nil, 0, false},
	} {
		if got, ok := c.v.Contact(c.states); got != c.want || ok != c.ok {
			t.Errorf("%v of %v: %d %v", c.v, c.states, got, ok)
		}
	}
}
