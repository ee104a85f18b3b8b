package objects

import "fanwarden/poller/bacnet"

// Properties that only a device itself has a use for.
const (
	activeText      bacnet.PropertyID = 4
	allOf           bacnet.PropertyID = 8 // a multiple read's word for all of them
	covIncrement    bacnet.PropertyID = 22
	inactiveText    bacnet.PropertyID = 46
	numberOfStates  bacnet.PropertyID = 74
	objectID        bacnet.PropertyID = 75
	objectType      bacnet.PropertyID = 79
	optionalOnly    bacnet.PropertyID = 80
	requiredOnly    bacnet.PropertyID = 105
	eventNormal                       = 0
	normalOperation                   = 0
)

// property is one property of an object: who has it, and what stands in it.
type property struct {
	id       bacnet.PropertyID
	required bool
	array    bool
	has      func(*Object) bool // nil: every object
	get      func(*Object, Shown) []bacnet.Value
}

// properties are those of every object but the device's own (clause 12).
var properties = [...]property{
	{objectID, true, false, nil, func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.ObjectValue(o.ID)) }},
	{bacnet.ObjectName, true, false, nil, func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.TextValue(o.Name)) }},
	{objectType, true, false, nil, func(o *Object, _ Shown) []bacnet.Value { return one(enumerated(o.ID.Type)) }},
	{bacnet.PresentValue, true, false, nil, func(_ *Object, s Shown) []bacnet.Value { return one(s.Value) }},
	{bacnet.Description, false, false, nil, func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.TextValue(o.Description)) }},
	{bacnet.StatusFlagsOf, true, false, nil, func(_ *Object, s Shown) []bacnet.Value { return one(bacnet.FlagsValue(s.Flags)) }},
	{bacnet.EventState, true, false, nil, func(*Object, Shown) []bacnet.Value { return one(enumerated(eventNormal)) }},
	{bacnet.ReliabilityOf, false, false, nil, func(_ *Object, s Shown) []bacnet.Value { return one(enumerated(s.Reliability)) }},
	{bacnet.OutOfServiceFlag, true, false, nil,
		func(_ *Object, s Shown) []bacnet.Value { return one(bacnet.BooleanValue(s.Flags.OutOfService)) }},
	{bacnet.UnitsOf, true, false, (*Object).analog, func(_ *Object, s Shown) []bacnet.Value { return one(enumerated(s.Units)) }},
	{covIncrement, false, false, (*Object).analog, func(*Object, Shown) []bacnet.Value { return one(bacnet.RealValue(increment)) }},
	{bacnet.PolarityOf, true, false, (*Object).hasPolarity, polarity},
	{inactiveText, false, false, (*Object).twoTexts, func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.TextValue(o.States[0])) }},
	{activeText, false, false, (*Object).twoTexts, func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.TextValue(o.States[1])) }},
	{numberOfStates, true, false, (*Object).multiState,
		func(o *Object, _ Shown) []bacnet.Value { return one(bacnet.UnsignedValue(uint64(len(o.States)))) }},
	{bacnet.StateText, false, true, (*Object).multiState, stateTexts},
	{bacnet.PriorityArray, true, true, (*Object).commandable, (*Object).priorityArray},
	{bacnet.RelinquishDefault, true, false, (*Object).commandable,
		func(o *Object, _ Shown) []bacnet.Value { return one(o.Show().Value) }},
}

func (o *Object) commandable() bool { return o.Command != nil }

func (o *Object) twoTexts() bool { return o.binary() && len(o.States) == 2 }

func one(v bacnet.Value) []bacnet.Value { return []bacnet.Value{v} }

func enumerated[N ~uint32 | ~uint16 | ~int](n N) bacnet.Value {
	return bacnet.EnumeratedValue(uint32(n))
}

func polarity(_ *Object, s Shown) []bacnet.Value {
	if s.Reversed {
		return one(enumerated(bacnet.Reverse))
	}
	return one(enumerated(bacnet.Normal))
}

func stateTexts(o *Object, _ Shown) []bacnet.Value {
	all := make([]bacnet.Value, len(o.States))
	for i, text := range o.States {
		all[i] = bacnet.TextValue(text)
	}
	return all
}

// read returns what stands in a property of the object.
func (o *Object) read(p bacnet.Reference) ([]bacnet.Value, *bacnet.RemoteError) {
	for _, m := range o.More {
		if m.Property == p.Property && m.Indexed == p.Indexed && m.Index == p.Index {
			return one(m.Show().Value), nil
		}
	}
	for i := range properties {
		if known := &properties[i]; known.id == p.Property && (known.has == nil || known.has(o)) {
			return element(known.get(o, o.Now()), known.array, p)
		}
	}
	return nil, unknownProperty()
}

// names returns the properties of the object, all, or those that the standard
// requires or leaves open.
func (o *Object) names(which bacnet.PropertyID) (all []bacnet.PropertyID) {
	for i := range properties {
		if p := &properties[i]; (p.has == nil || p.has(o)) && wanted(which, p.required) {
			all = append(all, p.id)
		}
	}
	return all
}

func wanted(which bacnet.PropertyID, required bool) bool {
	return which == allOf || (which == requiredOnly) == required
}

// element picks what is asked for of an array: all, its size, or one element.
func element(all []bacnet.Value, array bool, p bacnet.Reference) ([]bacnet.Value, *bacnet.RemoteError) {
	switch {
	case !p.Indexed:
		return all, nil
	case !array:
		return nil, notAnArray()
	case p.Index == 0:
		return one(bacnet.UnsignedValue(uint64(len(all)))), nil
	case int64(p.Index) > int64(len(all)):
		return nil, noSuchIndex()
	}
	return all[p.Index-1 : p.Index], nil
}
