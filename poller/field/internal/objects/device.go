package objects

import (
	"fanwarden/poller/bacnet"
)

// Vendor is the vendor that the devices name: nobody's number.
const Vendor = 999

// How a device can refuse a multiple read.
const (
	Answers = iota
	WithError
	WithReject
	WithAbort
)

// Device is a device with its objects. What it shows may be changed between two
// requests.
type Device struct {
	Instance uint32
	Name     string
	Model    string
	Location string
	MaxAPDU  int  // the longest APDU that it takes and sends, 50 to 1476
	Segments bool // it sends a longer answer in segments
	// RefusesMultiple is Answers, WithError, WithReject or WithAbort.
	RefusesMultiple int
	// RefusesSubscriptions: it cannot tell of changes.
	RefusesSubscriptions bool

	objects []*Object
	byID    map[bacnet.ObjectID]*Object
}

// Put puts an object into the device, behind those that it has. The first of an
// id stays.
func (d *Device) Put(o *Object) {
	if d.byID == nil {
		d.byID = make(map[bacnet.ObjectID]*Object)
	}
	if d.byID[o.ID] == nil {
		d.byID[o.ID] = o
		d.objects = append(d.objects, o)
	}
}

// Object returns an object other than the device's own; nil where there is none.
func (d *Device) Object(id bacnet.ObjectID) *Object { return d.byID[id] }

// IAm is what the device says of itself.
func (d *Device) IAm() bacnet.IAm {
	return bacnet.IAm{Instance: d.Instance, MaxAPDU: uint32(d.MaxAPDU), Segmentation: d.segmentation(), Vendor: Vendor}
}

func (d *Device) segmentation() bacnet.Segmentation {
	if d.Segments {
		return bacnet.SegmentedTransmit
	}
	return bacnet.NoSegmentation
}

// ID is the device's own object.
func (d *Device) ID() bacnet.ObjectID {
	return bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: d.Instance}
}

// deviceProperty is one property of the device object (clause 12.11).
type deviceProperty struct {
	id       bacnet.PropertyID
	required bool
	array    bool
	get      func(*Device) []bacnet.Value
}

func whole(n uint64) func(*Device) []bacnet.Value {
	return func(*Device) []bacnet.Value { return one(bacnet.UnsignedValue(n)) }
}

func text(s string) func(*Device) []bacnet.Value {
	return func(*Device) []bacnet.Value { return one(bacnet.TextValue(s)) }
}

var deviceProperties = [...]deviceProperty{
	{objectID, true, false, func(d *Device) []bacnet.Value { return one(bacnet.ObjectValue(d.ID())) }},
	{bacnet.ObjectName, true, false, func(d *Device) []bacnet.Value { return one(bacnet.TextValue(d.Name)) }},
	{objectType, true, false, func(*Device) []bacnet.Value { return one(enumerated(bacnet.DeviceObject)) }},
	{112, true, false, func(*Device) []bacnet.Value { return one(enumerated(normalOperation)) }}, // system-status
	{121, true, false, text("none")}, // vendor-name
	{120, true, false, whole(Vendor)},
	{70, true, false, func(d *Device) []bacnet.Value { return one(bacnet.TextValue(d.Model)) }}, // model-name
	{44, true, false, text("1")}, // firmware-revision
	{12, true, false, text("1")}, // application-software-version
	{58, false, false, func(d *Device) []bacnet.Value { return one(bacnet.TextValue(d.Location)) }}, // location
	{98, true, false, whole(1)},    // protocol-version
	{139, true, false, whole(14)},  // protocol-revision
	{97, true, false, services},    // protocol-services-supported
	{96, true, false, objectTypes}, // protocol-object-types-supported
	{bacnet.ObjectList, true, true, (*Device).list},
	{62, true, false, func(d *Device) []bacnet.Value { return one(bacnet.UnsignedValue(uint64(d.MaxAPDU))) }}, // max-apdu-length-accepted
	{107, true, false, func(d *Device) []bacnet.Value { return one(enumerated(d.segmentation())) }},           // segmentation-supported
	{11, true, false, whole(3000)},                                 // apdu-timeout, ms
	{73, true, false, whole(3)},                                    // number-of-apdu-retries
	{30, true, false, func(*Device) []bacnet.Value { return nil }}, // device-address-binding
	{155, true, false, whole(1)},                                   // database-revision
}

// list is the object list, the device itself first.
func (d *Device) list() []bacnet.Value {
	all := one(bacnet.ObjectValue(d.ID()))
	for _, o := range d.objects {
		all = append(all, bacnet.ObjectValue(o.ID))
	}
	return all
}

// services are the bits of BACnetServicesSupported for what a device answers:
// the confirmed services have their own numbers, the unconfirmed ones follow
// 26 bits later (I-Am is bit 26, Who-Is bit 34).
func services(d *Device) []bacnet.Value {
	bits := make([]bool, 41)
	for _, n := range []int{bacnet.ServiceReadProperty, bacnet.ServiceWriteProperty, 26 + bacnet.ServiceIAm, 26 + bacnet.ServiceWhoIs} {
		bits[n] = true
	}
	bits[bacnet.ServiceReadPropertyMultiple] = d.RefusesMultiple == Answers
	bits[bacnet.ServiceSubscribeCOV] = !d.RefusesSubscriptions
	return one(bacnet.BitsValue(bits...))
}

func objectTypes(d *Device) []bacnet.Value {
	bits := make([]bool, 31)
	bits[bacnet.DeviceObject] = true
	for _, o := range d.objects {
		if int(o.ID.Type) < len(bits) {
			bits[o.ID.Type] = true
		}
	}
	return one(bacnet.BitsValue(bits...))
}

// Read returns what stands in a property, or why nothing does. An AnyInstance of
// a device is the device that is asked (clause 15.5).
func (d *Device) Read(p bacnet.Reference) ([]bacnet.Value, *bacnet.RemoteError) {
	if !d.itself(p.Object) {
		o := d.byID[p.Object]
		if o == nil {
			return nil, UnknownObject()
		}
		return o.read(p)
	}
	for i := range deviceProperties {
		if known := &deviceProperties[i]; known.id == p.Property {
			return element(known.get(d), known.array, p)
		}
	}
	return nil, unknownProperty()
}

func (d *Device) itself(o bacnet.ObjectID) bool {
	return o == d.ID() || o == bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: bacnet.AnyInstance}
}

// expand replaces the words for many properties by their names; it keeps any
// other reference.
func (d *Device) expand(p bacnet.Reference) []bacnet.Reference {
	var names []bacnet.PropertyID
	switch o := d.byID[p.Object]; {
	case p.Property != allOf && p.Property != requiredOnly && p.Property != optionalOnly:
		return []bacnet.Reference{p}
	case o != nil:
		names = o.names(p.Property)
	case !d.itself(p.Object):
		return []bacnet.Reference{p} // which is answered by an error
	default:
		for i := range deviceProperties {
			if known := &deviceProperties[i]; known.id != bacnet.ObjectList && wanted(p.Property, known.required) {
				names = append(names, known.id)
			}
		}
	}
	all := make([]bacnet.Reference, len(names))
	for i, name := range names {
		all[i] = bacnet.Reference{Object: p.Object, Property: name}
	}
	return all
}
