package bacnet

import (
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// objectNames are the standard's names of the kinds of objects that carry
// values. The numbers of loop, accumulator, pulse-converter, integer-value,
// large-analog-value and positive-integer-value are from memory.
var objectNames = map[ObjectType]string{AnalogInput: "analog-input", AnalogOutput: "analog-output",
	AnalogValue: "analog-value", BinaryInput: "binary-input", BinaryOutput: "binary-output",
	BinaryValue: "binary-value", DeviceObject: "device", Loop: "loop", MultiStateInput: "multi-state-input",
	MultiStateOutput: "multi-state-output", MultiStateValue: "multi-state-value", 23: "accumulator",
	24: "pulse-converter", 45: "integer-value", 46: "large-analog-value", 48: "positive-integer-value"}

// ownObject begins the name of a kind of object that has none here, such as a
// maker's own: "object-type-130".
const ownObject = "object-type-"

// String returns the standard's name, or the number.
func (t ObjectType) String() string {
	if name, ok := objectNames[t]; ok {
		return name
	}
	return fmt.Sprintf("%s%d", ownObject, uint16(t))
}

// FindObjectType returns the kind of that name, as String writes it.
func FindObjectType(name string) (ObjectType, bool) {
	for t, known := range objectNames {
		if known == name {
			return t, true
		}
	}
	digits, own := strings.CutPrefix(name, ownObject)
	n, err := strconv.ParseUint(digits, 10, 10)
	return ObjectType(n), own && err == nil
}

// ObjectTypeNames lists the names of the kinds of objects, as the standard
// numbers them.
func ObjectTypeNames() []string {
	var names []string
	for _, t := range slices.Sorted(maps.Keys(objectNames)) {
		names = append(names, objectNames[t])
	}
	return names
}

// Binary reports whether the kind's present value is active or inactive.
func (t ObjectType) Binary() bool { return t == BinaryInput || t == BinaryOutput || t == BinaryValue }

// MultiState reports whether the kind's present value is one of numbered
// states.
func (t ObjectType) MultiState() bool {
	return t == MultiStateInput || t == MultiStateOutput || t == MultiStateValue
}

// Analog reports whether the kind's present value is a number with units.
func (t ObjectType) Analog() bool {
	switch t {
	case AnalogInput, AnalogOutput, AnalogValue, 45, 46, 48:
		return true
	}
	return false
}

// Input reports whether the kind measures: it takes no commands.
func (t ObjectType) Input() bool {
	return t == AnalogInput || t == BinaryInput || t == MultiStateInput
}

// String returns the object as point maps write it: "analog-input,3".
func (o ObjectID) String() string { return fmt.Sprintf("%s,%d", o.Type, o.Instance) }

// ParseObject reads an object as point maps write it: the standard's name of
// its kind (or object-type-130), a comma and its instance, 0 to 4194302.
func ParseObject(text string) (ObjectID, bool) {
	name, number, _ := strings.Cut(text, ",")
	t, known := FindObjectType(strings.TrimSpace(name))
	n, err := strconv.ParseUint(strings.TrimSpace(number), 10, 32)
	return ObjectID{t, uint32(n)}, known && err == nil && n < AnyInstance
}

// propertyNames are the standard's names of the properties that a point map may
// want. Of those that are no constants the numbers are from memory.
var propertyNames = map[PropertyID]string{
	15: "change-of-state-count", 21: "controlled-variable-value", 22: "cov-increment", Description: "description",
	33: "elapsed-active-time", EventState: "event-state", 40: "feedback-value", 45: "high-limit",
	59: "low-limit", 65: "max-pres-value", 69: "min-pres-value", 74: "number-of-states",
	75: "object-identifier", ObjectList: "object-list", ObjectName: "object-name", 79: "object-type",
	OutOfServiceFlag: "out-of-service", PolarityOf: "polarity", PresentValue: "present-value",
	PriorityArray: "priority-array", ReliabilityOf: "reliability", RelinquishDefault: "relinquish-default",
	106: "resolution", 108: "setpoint", StateText: "state-text", StatusFlagsOf: "status-flags",
	112: "system-status", UnitsOf: "units"}

// texts are the properties whose values are no numbers.
var texts = []PropertyID{Description, 75, ObjectList, ObjectName, StateText, StatusFlagsOf}

// String returns the standard's name, or the number.
func (p PropertyID) String() string {
	if name, ok := propertyNames[p]; ok {
		return name
	}
	return strconv.FormatUint(uint64(p), 10)
}

// Text reports whether the property is known not to be a number.
func (p PropertyID) Text() bool { return slices.Contains(texts, p) }

// FindProperty returns the property of that name or number (1 to 4194303).
func FindProperty(name string) (PropertyID, bool) {
	for p, known := range propertyNames {
		if known == name {
			return p, true
		}
	}
	n, err := strconv.ParseUint(name, 10, 22)
	return PropertyID(n), err == nil && n > 0
}

// PropertyNames lists the names of the properties that hold numbers, as the
// standard numbers them.
func PropertyNames() []string {
	var names []string
	for _, p := range slices.Sorted(maps.Keys(propertyNames)) {
		if !p.Text() {
			names = append(names, propertyNames[p])
		}
	}
	return names
}

// String returns the reference as people are shown it: the object, and the
// property where it is not the present value.
func (p Reference) String() string {
	text := p.Object.String()
	if p.Property != PresentValue {
		text += " " + p.Property.String()
	}
	if p.Indexed {
		text += fmt.Sprintf("[%d]", p.Index)
	}
	return text
}
