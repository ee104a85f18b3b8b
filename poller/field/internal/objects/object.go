package objects

import (
	"encoding/binary"
	"math"

	"fanwarden/poller/bacnet"
)

// Object is one object of a device.
type Object struct {
	ID          bacnet.ObjectID
	Name        string
	Description string
	// States are the texts of a multi-state object, the first state first; of a
	// binary one those of inactive and active.
	States []string
	// Show tells what the object shows now while nobody commands it.
	Show func() Shown
	// Command makes the object commandable. It is told what is commanded now, at
	// the highest priority that holds a value, or that nothing is.
	Command func(v bacnet.Value, commanded bool)
	// More are values that stand in properties other than the present value.
	More []More

	commands [priorities]*bacnet.Value
}

// More is a value that an object shows in a property, or in one element of it.
type More struct {
	Property bacnet.PropertyID
	Indexed  bool
	Index    uint32
	Show     func() Shown
}

// Shown is what an object shows of itself at a moment.
type Shown struct {
	Value       bacnet.Value
	Flags       bacnet.StatusFlags
	Reliability bacnet.Reliability
	Units       bacnet.EngineeringUnits // of an analog object
	Reversed    bool                    // polarity of a binary input or output
	// Hand is what people command at priority 8, which is theirs; nil: nothing.
	Hand *bacnet.Value
}

// priorities is how many a commandable object has; handPriority is that of
// people (clause 19.2).
const (
	priorities   = 16
	handPriority = 8
)

// Now is what the object shows now, with what is commanded.
func (o *Object) Now() Shown {
	s := o.Show()
	if v := o.commanded(s); v != nil {
		s.Value = *v
	}
	return s
}

// commanded returns the value at the highest priority that has one.
func (o *Object) commanded(s Shown) *bacnet.Value {
	for i := range o.commands {
		if v := o.at(i+1, s); v != nil {
			return v
		}
	}
	return nil
}

// at returns what is commanded at a priority, from 1 on; nil is nothing.
func (o *Object) at(priority int, s Shown) *bacnet.Value {
	if v := o.commands[priority-1]; v != nil || priority != handPriority {
		return v
	}
	return s.Hand
}

func (o *Object) priorityArray(s Shown) []bacnet.Value {
	all := make([]bacnet.Value, priorities)
	for i := range all {
		if v := o.at(i+1, s); v != nil {
			all[i] = *v
		}
	}
	return all
}

func (o *Object) analog() bool { return o.ID.Type.Analog() }

func (o *Object) binary() bool { return o.ID.Type.Binary() }

func (o *Object) multiState() bool { return o.ID.Type.MultiState() }

// hasPolarity: a binary value has none (clause 12.8).
func (o *Object) hasPolarity() bool {
	return o.ID.Type == bacnet.BinaryInput || o.ID.Type == bacnet.BinaryOutput
}

// write commands the present value, or takes a command back.
func (o *Object) write(w bacnet.Write) *bacnet.RemoteError {
	if o.Command == nil || w.Property != bacnet.PresentValue {
		return writeDenied()
	}
	if w.Indexed {
		return notAnArray()
	}
	slot := &o.commands[w.Priority-1]
	if w.Value.Type == bacnet.Null {
		*slot = nil
	} else if err := o.takes(w.Value); err != nil {
		return err
	} else {
		v := bacnet.Value{Type: w.Value.Type, Content: append([]byte(nil), w.Value.Content...)}
		*slot = &v
	}
	if v := o.commanded(Shown{}); v != nil {
		o.Command(*v, true)
	} else {
		o.Command(bacnet.NullValue(), false)
	}
	return nil
}

// takes says what is wrong with a value that is to be commanded.
func (o *Object) takes(v bacnet.Value) *bacnet.RemoteError {
	n, numeric := v.Number()
	switch {
	case v.Type != Value(o.ID.Type, 0).Type || !numeric:
		return wrongType()
	case math.IsNaN(n), o.binary() && n > 1, o.multiState() && (n < 1 || n > float64(len(o.States))):
		return outOfRange()
	}
	return nil
}

// Value is a number as the present value of a kind of object has it. Whole numbers
// are rounded, and end where 32 bits do.
func Value(of bacnet.ObjectType, n float64) bacnet.Value {
	switch {
	case of.Binary():
		return bacnet.EnumeratedValue(whole32(n))
	case of.MultiState(), of == accumulator, of == positiveInteger:
		return bacnet.UnsignedValue(uint64(whole32(n)))
	case of == integer:
		signed := int32(max(math.MinInt32, min(math.Round(n), math.MaxInt32)))
		return bacnet.Value{Type: bacnet.Signed, Content: binary.BigEndian.AppendUint32(nil, uint32(signed))}
	case of == largeAnalog:
		return bacnet.DoubleValue(n)
	}
	return bacnet.RealValue(float32(n))
}

// Kinds of objects whose present value is no real.
const (
	accumulator     bacnet.ObjectType = 23
	integer         bacnet.ObjectType = 45
	largeAnalog     bacnet.ObjectType = 46
	positiveInteger bacnet.ObjectType = 48
)

func whole32(n float64) uint32 {
	if !(n > 0) {
		return 0
	}
	return uint32(min(math.Round(n), math.MaxUint32))
}

// increment is how far an analog value moves before subscribers are told.
// (Engineering choice: less than any map's unit needs.)
const increment = 0.01

// Changed reports whether subscribers have to be told of what the object shows
// (clause 13.1: the value, or the status flags).
func (o *Object) Changed(from, to Shown) bool {
	before, _ := from.Value.Number()
	after, _ := to.Value.Number()
	if from.Flags != to.Flags || from.Value.Type != to.Value.Type {
		return true
	}
	if o.analog() {
		return !(math.Abs(after-before) < increment)
	}
	return before != after
}
