package objects

import (
	"math"
	"testing"

	"fanwarden/poller/bacnet"
)

// write puts a value at a priority and returns the refusal, zero for none.
func write(t *testing.T, d *Device, w bacnet.Write) bacnet.RemoteError {
	t.Helper()
	a := d.Answer(request(bacnet.ServiceWriteProperty, w.Append(nil)))
	if a.Type == bacnet.SimpleAck {
		return bacnet.RemoteError{}
	}
	for class := uint32(1); class < 6; class++ {
		for code := uint32(0); code < 60; code++ {
			if e := (bacnet.RemoteError{Class: class, Code: code}); a.Type == bacnet.ErrorPDU && string(bacnet.AppendError(nil, e)) == string(a.Data) {
				return e
			}
		}
	}
	t.Fatalf("%+v is neither done nor refused", a)
	return bacnet.RemoteError{}
}

func presentValue(t *testing.T, d *Device, o bacnet.ObjectID) float64 {
	t.Helper()
	values, refused := d.Read(at(o, bacnet.PresentValue))
	if refused != nil {
		t.Fatal(refused)
	}
	n, _ := values[0].Number()
	return n
}

// Of several commands the highest priority counts; Null takes one back, and the
// last leaves the object to itself (clause 19.2).
func TestCommandsCountByTheirPriority(t *testing.T) {
	var told []bacnet.Value
	d := bench(&told)
	for _, step := range []struct {
		priority uint8
		value    bacnet.Value
		want     float64
	}{
		{12, bacnet.RealValue(30), 30},
		{10, bacnet.RealValue(60), 60},
		{16, bacnet.RealValue(99), 60},
		{10, bacnet.NullValue(), 30},
		{10, bacnet.NullValue(), 30},
		{12, bacnet.NullValue(), 99},
		{16, bacnet.NullValue(), 40},
	} {
		if e := write(t, d, bacnet.Write{Reference: at(speed, bacnet.PresentValue), Value: step.value, Priority: step.priority}); e.Code != 0 {
			t.Fatal(e)
		}
		if got := presentValue(t, d, speed); got != step.want {
			t.Errorf("after %v at %d it is %v, want %v", step.value, step.priority, got, step.want)
		}
	}
	last, _ := told[1].Number()
	if len(told) != 7 || last != 60 || told[6].Type != bacnet.Null {
		t.Errorf("the device was told %v", told)
	}
}

func TestACommandStandsInThePriorityArray(t *testing.T) {
	var told []bacnet.Value
	d := bench(&told)
	hand := bacnet.RealValue(55)
	show := d.Object(speed).Show
	d.Object(speed).Show = func() Shown { s := show(); s.Hand = &hand; return s }
	write(t, d, bacnet.Write{Reference: at(speed, bacnet.PresentValue), Value: bacnet.RealValue(30), Priority: 9})
	d.Object(speed).More = nil
	values, _ := d.Read(at(speed, bacnet.PriorityArray))
	for i, v := range values {
		n, _ := v.Number()
		if want := map[int]float64{7: 55, 8: 30}[i]; n != want || (v.Type == bacnet.Null) != (want == 0) {
			t.Errorf("at priority %d stands %v", i+1, v)
		}
	}
	if got := presentValue(t, d, speed); len(values) != 16 || got != 55 {
		t.Errorf("of %d priorities people's counts: %v, want 55", len(values), got)
	}
}

func TestWhatCannotBeCommanded(t *testing.T) {
	for _, c := range []struct {
		of    bacnet.Reference
		value bacnet.Value
		want  uint32
	}{
		{at(probe, bacnet.PresentValue), bacnet.RealValue(1), 40},
		{at(speed, bacnet.UnitsOf), bacnet.EnumeratedValue(1), 40},
		{at(device, bacnet.ObjectName), bacnet.TextValue("x"), 40},
		{at(bacnet.ObjectID{Instance: 99}, bacnet.PresentValue), bacnet.RealValue(1), 31},
		{at(speed, bacnet.PresentValue, 1), bacnet.RealValue(1), 50},
		{at(speed, bacnet.PresentValue), bacnet.UnsignedValue(1), 9},
		{at(speed, bacnet.PresentValue), bacnet.RealValue(float32(math.NaN())), 37},
		{at(relay, bacnet.PresentValue), bacnet.BooleanValue(true), 9},
		{at(relay, bacnet.PresentValue), bacnet.EnumeratedValue(2), 37},
		{at(mode, bacnet.PresentValue), bacnet.UnsignedValue(0), 37},
		{at(mode, bacnet.PresentValue), bacnet.UnsignedValue(4), 37},
		{at(mode, bacnet.PresentValue), bacnet.UnsignedValue(3), 0},
		{at(relay, bacnet.PresentValue), bacnet.EnumeratedValue(1), 0},
	} {
		var told []bacnet.Value
		d := bench(&told)
		if e := write(t, d, bacnet.Write{Reference: c.of, Value: c.value, Priority: 10}); e.Code != c.want || (len(told) > 0) != (c.want == 0) {
			t.Errorf("%v to %v: code %d, want %d; told %v", c.value, c.of, e.Code, c.want, told)
		}
	}
}

func TestWhatSubscribersAreToldOf(t *testing.T) {
	d := bench(nil)
	real := func(f float32) Shown { return Shown{Value: bacnet.RealValue(f)} }
	state := func(n uint64) Shown { return Shown{Value: bacnet.UnsignedValue(n)} }
	for _, c := range []struct {
		of       bacnet.ObjectID
		from, to Shown
		want     bool
	}{
		{probe, real(1), real(1), false},
		{probe, real(1), real(1.005), false},
		{probe, real(1), real(1.02), true},
		{probe, real(1), real(float32(math.NaN())), true},
		{probe, real(1), Shown{Value: bacnet.RealValue(1), Flags: bacnet.StatusFlags{Fault: true}}, true},
		{mode, state(1), state(1), false},
		{mode, state(1), state(2), true},
		{mode, Shown{}, state(0), true},
	} {
		if got := d.Object(c.of).Changed(c.from, c.to); got != c.want {
			t.Errorf("%s from %v to %v: %t", c.of, c.from, c.to, got)
		}
	}
}

// The types of present values are those of the object types of clause 12.
func TestANumberIsWhatTheKindOfObjectMakesOfIt(t *testing.T) {
	for _, c := range []struct {
		of   bacnet.ObjectType
		n    float64
		want bacnet.Value
	}{
		{bacnet.AnalogInput, -2.5, bacnet.RealValue(-2.5)},
		{bacnet.Loop, 1, bacnet.RealValue(1)},
		{bacnet.BinaryInput, 1, bacnet.EnumeratedValue(1)},
		{bacnet.MultiStateValue, 3, bacnet.UnsignedValue(3)},
		{accumulator, 1e12, bacnet.UnsignedValue(math.MaxUint32)},
		{accumulator, 2.6, bacnet.UnsignedValue(3)},
		{positiveInteger, -1, bacnet.UnsignedValue(0)},
		{positiveInteger, math.NaN(), bacnet.UnsignedValue(0)},
		{integer, -2, bacnet.Value{Type: bacnet.Signed, Content: []byte{255, 255, 255, 254}}},
		{largeAnalog, 0.1, bacnet.DoubleValue(0.1)},
	} {
		if got := Value(c.of, c.n); got.Type != c.want.Type || string(got.Content) != string(c.want.Content) {
			t.Errorf("%v of %s is %v, want %v", c.n, c.of, got, c.want)
		}
	}
}
