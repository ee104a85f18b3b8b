package bacnet

import "fmt"

// ObjectType is the kind of an object (clause 21, BACnetObjectType).
type ObjectType uint16

// The kinds of objects that carry points. The number of loop is from memory.
const (
	AnalogInput      ObjectType = 0
	AnalogOutput     ObjectType = 1
	AnalogValue      ObjectType = 2
	BinaryInput      ObjectType = 3
	BinaryOutput     ObjectType = 4
	BinaryValue      ObjectType = 5
	DeviceObject     ObjectType = 8
	Loop             ObjectType = 12
	MultiStateInput  ObjectType = 13
	MultiStateOutput ObjectType = 14
	MultiStateValue  ObjectType = 19
)

// The services that are spoken here, by their numbers of clause 21: confirmed,
// then unconfirmed.
const (
	ServiceConfirmedCOV         = 1
	ServiceSubscribeCOV         = 5
	ServiceReadProperty         = 12
	ServiceReadPropertyMultiple = 14
	ServiceWriteProperty        = 15
	ServiceIAm                  = 0
	ServiceUnconfirmedCOV       = 2
	ServiceWhoIs                = 8
)

// ObjectID names an object of a device.
type ObjectID struct {
	Type     ObjectType // 0 to 1023
	Instance uint32     // 0 to 4194303
}

// AnyInstance is the highest instance; it names a device that one does not know.
const AnyInstance = 1<<22 - 1

func (o ObjectID) raw() uint32 { return uint32(o.Type)<<22 | o.Instance&AnyInstance }

func objectID(raw uint32) ObjectID { return ObjectID{ObjectType(raw >> 22), raw & AnyInstance} }

// PropertyID names a property (clause 21, BACnetPropertyIdentifier).
type PropertyID uint32

// The properties that points and people have a use for. Description and state
// texts are from memory, and as an open stack has them (@bacnet-js/client 3.3.2).
const (
	Description       PropertyID = 28
	EventState        PropertyID = 36
	ObjectList        PropertyID = 76
	ObjectName        PropertyID = 77
	OutOfServiceFlag  PropertyID = 81
	PolarityOf        PropertyID = 84
	PresentValue      PropertyID = 85
	PriorityArray     PropertyID = 87
	ReliabilityOf     PropertyID = 103
	RelinquishDefault PropertyID = 104
	StateText         PropertyID = 110
	StatusFlagsOf     PropertyID = 111
	UnitsOf           PropertyID = 117
)

// StatusFlags are what an object says of its own value; fault, overridden and
// out of service are three different things.
type StatusFlags struct{ InAlarm, Fault, Overridden, OutOfService bool }

// Flags reads a value as status flags.
func (v Value) Flags() (f StatusFlags, ok bool) {
	if _, ok = v.Bit(3); !ok {
		return f, false
	}
	for i, into := range []*bool{&f.InAlarm, &f.Fault, &f.Overridden, &f.OutOfService} {
		*into, _ = v.Bit(i)
	}
	return f, true
}

// FlagsValue is status flags as a value.
func FlagsValue(f StatusFlags) Value {
	return BitsValue(f.InAlarm, f.Fault, f.Overridden, f.OutOfService)
}

// Reliability says why an object's value cannot be relied on; 0: it can.
type Reliability uint32

var reliabilities = map[Reliability]string{0: "no fault detected", 1: "no sensor", 2: "over range",
	3: "under range", 4: "open loop", 5: "shorted loop", 6: "no output", 7: "unreliable",
	12: "communication failure"}

// String returns the reliability in words.
func (r Reliability) String() string {
	if s, ok := reliabilities[r]; ok {
		return s
	}
	return fmt.Sprintf("reliability %d", uint32(r))
}

// Reliability reads a value as a reliability.
func (v Value) Reliability() (Reliability, bool) {
	n, ok := v.Unsigned()
	return Reliability(n), ok && v.Type == Enumerated && n < 1<<16
}

// Polarity tells how a binary object's present value stands to the contact. A
// reversed object has already turned its value: it is shown, not applied again.
type Polarity uint32

// The polarities.
const (
	Normal  Polarity = 0
	Reverse Polarity = 1
)

// Polarity reads a value as a polarity.
func (v Value) Polarity() (Polarity, bool) {
	n, ok := v.Unsigned()
	return Polarity(n), ok && v.Type == Enumerated && n <= 1
}
