package objects

import (
	"encoding/hex"
	"strings"
	"testing"

	"fanwarden/poller/bacnet"
)

var (
	probe  = bacnet.ObjectID{Type: bacnet.AnalogInput, Instance: 5}
	speed  = bacnet.ObjectID{Type: bacnet.AnalogOutput, Instance: 1}
	high   = bacnet.ObjectID{Type: bacnet.BinaryInput, Instance: 2}
	mode   = bacnet.ObjectID{Type: bacnet.MultiStateValue, Instance: 4}
	relay  = bacnet.ObjectID{Type: bacnet.BinaryValue, Instance: 7}
	device = bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: 1201}
)

// bench is a device with an object of each kind; commands keeps what it is told.
func bench(commands *[]bacnet.Value) *Device {
	d := &Device{Instance: 1201, Name: "fan 1", Model: "stand-in", MaxAPDU: 480}
	d.Put(&Object{ID: probe, Name: "pressure", Description: "at the tap", Show: func() Shown {
		return Shown{Value: bacnet.RealValue(72.3), Units: 53}
	}})
	d.Put(&Object{ID: speed, Name: "speed", Show: func() Shown { return Shown{Value: bacnet.RealValue(40), Units: 98} },
		Command: func(v bacnet.Value, on bool) {
			if *commands = append(*commands, v); on == (v.Type == bacnet.Null) {
				panic("commanded, and nothing is")
			}
		},
		More: []More{{Property: 65, Show: func() Shown { return Shown{Value: bacnet.RealValue(90)} }},
			{Property: bacnet.PriorityArray, Indexed: true, Index: 3, Show: func() Shown { return Shown{Value: bacnet.RealValue(3)} }}}})
	d.Put(&Object{ID: high, Name: "high", States: []string{"off", "on"}, Show: func() Shown {
		return Shown{Value: bacnet.EnumeratedValue(1), Reversed: true, Reliability: 7, Flags: bacnet.StatusFlags{Fault: true, OutOfService: true}}
	}})
	d.Put(&Object{ID: mode, Name: "mode", States: []string{"off", "auto", "hand"},
		Show: func() Shown { return Shown{Value: bacnet.UnsignedValue(2)} }, Command: func(v bacnet.Value, _ bool) { *commands = append(*commands, v) }})
	d.Put(&Object{ID: relay, Name: "relay", Show: func() Shown { return Shown{Value: bacnet.EnumeratedValue(0)} },
		Command: func(v bacnet.Value, _ bool) { *commands = append(*commands, v) }})
	return d
}

// The request and the answer of ANSI/ASHRAE 135, Annex F.3.5.
func TestAPropertyIsReadAsInAnnexF(t *testing.T) {
	asked, _ := hex.DecodeString("0000010C0C000000051955")
	a, err := bacnet.ParseAPDU(asked)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.ToUpper(hex.EncodeToString(bench(nil).Answer(a).Append(nil)))
	if want := "30010C0C0000000519553E444290999A3F"; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func at(o bacnet.ObjectID, p bacnet.PropertyID, index ...uint32) bacnet.Reference {
	r := bacnet.Reference{Object: o, Property: p}
	if len(index) > 0 {
		r.Indexed, r.Index = true, index[0]
	}
	return r
}

func TestWhatStandsInAProperty(t *testing.T) {
	real := func(f float32) bacnet.Value { return bacnet.RealValue(f) }
	for _, c := range []struct {
		of   bacnet.Reference
		want []bacnet.Value
	}{
		{at(probe, bacnet.PresentValue), one(real(72.3))},
		{at(probe, bacnet.ObjectName), one(bacnet.TextValue("pressure"))},
		{at(probe, bacnet.Description), one(bacnet.TextValue("at the tap"))},
		{at(probe, bacnet.UnitsOf), one(bacnet.EnumeratedValue(53))},
		{at(probe, bacnet.StatusFlagsOf), one(bacnet.BitsValue(false, false, false, false))},
		{at(probe, objectType), one(bacnet.EnumeratedValue(0))},
		{at(high, bacnet.PolarityOf), one(bacnet.EnumeratedValue(1))},
		{at(high, bacnet.ReliabilityOf), one(bacnet.EnumeratedValue(7))},
		{at(high, bacnet.StatusFlagsOf), one(bacnet.BitsValue(false, true, false, true))},
		{at(high, bacnet.OutOfServiceFlag), one(bacnet.BooleanValue(true))},
		{at(high, activeText), one(bacnet.TextValue("on"))},
		{at(mode, numberOfStates), one(bacnet.UnsignedValue(3))},
		{at(mode, bacnet.StateText, 3), one(bacnet.TextValue("hand"))},
		{at(mode, bacnet.StateText, 0), one(bacnet.UnsignedValue(3))},
		{at(speed, bacnet.PriorityArray, 0), one(bacnet.UnsignedValue(16))},
		{at(speed, bacnet.PriorityArray, 16), one(bacnet.NullValue())},
		{at(speed, bacnet.RelinquishDefault), one(real(40))},
		{at(speed, 65), one(real(90))},
		{at(speed, bacnet.PriorityArray, 3), one(real(3))},
		{at(device, bacnet.ObjectName), one(bacnet.TextValue("fan 1"))},
		{at(device, bacnet.ObjectList, 0), one(bacnet.UnsignedValue(6))},
		{at(device, bacnet.ObjectList, 1), one(bacnet.ObjectValue(device))},
		{at(device, bacnet.ObjectList, 6), one(bacnet.ObjectValue(relay))},
		{at(bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: bacnet.AnyInstance}, 62), one(bacnet.UnsignedValue(480))},
	} {
		got, refused := bench(nil).Read(c.of)
		if refused != nil || !same(got, c.want) {
			t.Errorf("%v: %v, %v; want %v", c.of, got, refused, c.want)
		}
	}
	if list, refused := bench(nil).Read(at(device, bacnet.ObjectList)); refused != nil || len(list) != 6 {
		t.Errorf("the whole object list is %v, %v", list, refused)
	}
}

func same(a, b []bacnet.Value) bool {
	if len(a) != len(b) {
		return false
	}
	for i := range a {
		if a[i].Type != b[i].Type || string(a[i].Content) != string(b[i].Content) {
			return false
		}
	}
	return true
}

// Classes and codes: clause 18.
func TestWhatDoesNotStandThere(t *testing.T) {
	nobody := bacnet.ObjectID{Type: bacnet.AnalogInput, Instance: 99}
	for _, c := range []struct {
		of   bacnet.Reference
		want bacnet.RemoteError
	}{
		{at(nobody, bacnet.PresentValue), bacnet.RemoteError{Class: 1, Code: 31}},
		{at(bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: 2}, bacnet.ObjectName), bacnet.RemoteError{Class: 1, Code: 31}},
		{at(probe, bacnet.PolarityOf), bacnet.RemoteError{Class: 2, Code: 32}},
		{at(high, bacnet.UnitsOf), bacnet.RemoteError{Class: 2, Code: 32}},
		{at(relay, bacnet.PolarityOf), bacnet.RemoteError{Class: 2, Code: 32}}, // a binary value has none
		{at(probe, bacnet.PriorityArray), bacnet.RemoteError{Class: 2, Code: 32}},
		{at(device, bacnet.PresentValue), bacnet.RemoteError{Class: 2, Code: 32}},
		{at(probe, bacnet.PresentValue, 1), bacnet.RemoteError{Class: 2, Code: 50}},
		{at(device, bacnet.ObjectName, 1), bacnet.RemoteError{Class: 2, Code: 50}},
		{at(device, bacnet.ObjectList, 7), bacnet.RemoteError{Class: 2, Code: 42}},
		{at(mode, bacnet.StateText, 1<<31), bacnet.RemoteError{Class: 2, Code: 42}},
	} {
		if got, refused := bench(nil).Read(c.of); refused == nil || *refused != c.want {
			t.Errorf("%v: %v, %v; want %v", c.of, got, refused, c.want)
		}
	}
}

func TestOneBadObjectCostsAMultipleReadThatObjectAlone(t *testing.T) {
	asked := []bacnet.Reference{at(probe, bacnet.PresentValue), at(bacnet.ObjectID{Instance: 50}, bacnet.PresentValue),
		at(probe, bacnet.PolarityOf), at(speed, bacnet.PresentValue)}
	a := bench(nil).Answer(request(bacnet.ServiceReadPropertyMultiple, bacnet.AppendReadPropertyMultiple(nil, asked)))
	got, err := bacnet.ParseReadPropertyMultipleAck(a.Data)
	if err != nil || len(got) != len(asked) {
		t.Fatal(got, err)
	}
	for i, r := range got {
		if bad := i == 1 || i == 2; r.Reference != asked[i] || (r.Err != nil) != bad || (len(r.Values) == 0) != bad {
			t.Errorf("%v: %v, %v", r.Reference, r.Values, r.Err)
		}
	}
}

func request(service uint8, data []byte) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.ConfirmedRequest, InvokeID: 9, Service: service, Data: data}
}

func TestAllPropertiesAreThoseRequiredAndThoseLeftOpen(t *testing.T) {
	d := bench(nil)
	for _, o := range []bacnet.ObjectID{probe, speed, high, mode, relay, device} {
		count := func(which bacnet.PropertyID) int {
			data := bacnet.AppendReadPropertyMultiple(nil, []bacnet.Reference{at(o, which)})
			got, err := bacnet.ParseReadPropertyMultipleAck(d.Answer(request(bacnet.ServiceReadPropertyMultiple, data)).Data)
			for _, r := range got {
				if r.Err != nil || len(r.Values) == 0 && r.Property != 30 {
					t.Errorf("%v of %s: %v, %v", r.Property, o, r.Values, r.Err)
				}
			}
			if err != nil {
				t.Error(o, err)
			}
			return len(got)
		}
		all, required, open := count(allOf), count(requiredOnly), count(optionalOnly)
		if required < 5 || open < 1 || all != required+open {
			t.Errorf("%s: %d properties, %d required, %d left open", o, all, required, open)
		}
	}
	data := bacnet.AppendReadPropertyMultiple(nil, []bacnet.Reference{at(bacnet.ObjectID{Instance: 50}, allOf)})
	got, err := bacnet.ParseReadPropertyMultipleAck(d.Answer(request(bacnet.ServiceReadPropertyMultiple, data)).Data)
	if err != nil || len(got) != 1 || got[0].Err == nil {
		t.Errorf("all of an object that is not there: %v, %v", got, err)
	}
}

func TestADeviceRefusesMultipleReads(t *testing.T) {
	data := bacnet.AppendReadPropertyMultiple(nil, []bacnet.Reference{at(probe, bacnet.PresentValue)})
	for how, want := range map[int]bacnet.PDUType{Answers: bacnet.ComplexAck, WithError: bacnet.ErrorPDU, WithReject: bacnet.RejectPDU, WithAbort: bacnet.AbortPDU} {
		d := bench(nil)
		d.RefusesMultiple = how
		if a := d.Answer(request(bacnet.ServiceReadPropertyMultiple, data)); a.Type != want || a.InvokeID != 9 {
			t.Errorf("%d: %+v, want the type %d", how, a, want)
		}
		if a := d.Answer(request(bacnet.ServiceReadProperty, bacnet.AppendReadProperty(nil, at(probe, bacnet.PresentValue)))); a.Type != bacnet.ComplexAck {
			t.Errorf("%d: a single read is answered by %+v", how, a)
		}
	}
}

func TestWhatIsNotUnderstoodIsRejected(t *testing.T) {
	for service, want := range map[uint8]uint8{bacnet.ServiceReadProperty: 4, bacnet.ServiceReadPropertyMultiple: 4, bacnet.ServiceWriteProperty: 4, 20: 9} {
		for _, data := range [][]byte{nil, {0xFF}, {0x0C, 0, 0}} {
			if a := bench(nil).Answer(request(service, data)); a.Type != bacnet.RejectPDU || a.Service != want {
				t.Errorf("service %d with %x: %+v", service, data, a)
			}
		}
	}
}
