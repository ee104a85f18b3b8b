package bacnet

import "errors"

// WhoIs asks devices within a range of instances to say who they are; the zero
// value asks all (clause 16.10).
type WhoIs struct {
	Limited   bool
	Low, High uint32
}

// Append writes the request.
func (w WhoIs) Append(b []byte) []byte {
	if !w.Limited {
		return b
	}
	return appendContext(appendContext(b, 0, w.Low), 1, w.High)
}

// ParseWhoIs takes that request apart.
func ParseWhoIs(b []byte) (w WhoIs, err error) {
	r := reader{rest: b}
	if w.Limited = len(b) > 0; w.Limited {
		w.Low, w.High = r.number(0), r.number(1)
	}
	return w, r.end()
}

// Segmentation says which way a device can segment messages.
type Segmentation uint32

// The ways.
const (
	SegmentedBoth Segmentation = iota
	SegmentedTransmit
	SegmentedReceive
	NoSegmentation
)

// IAm is what a device says of itself (clause 16.10).
type IAm struct {
	Instance     uint32
	MaxAPDU      uint32
	Segmentation Segmentation
	Vendor       uint32
}

// Append writes it.
func (i IAm) Append(b []byte) []byte {
	b = ObjectValue(ObjectID{DeviceObject, i.Instance}).append(b)
	b = UnsignedValue(uint64(i.MaxAPDU)).append(b)
	b = EnumeratedValue(uint32(i.Segmentation)).append(b)
	return UnsignedValue(uint64(i.Vendor)).append(b)
}

// ParseIAm takes it apart.
func ParseIAm(b []byte) (i IAm, err error) {
	r := reader{rest: b}
	object, ok := r.value().Object()
	if !ok || object.Type != DeviceObject {
		r.fail()
	}
	i = IAm{object.Instance, r.application(Unsigned), Segmentation(r.application(Enumerated)), r.application(Unsigned)}
	return i, r.end()
}

// SubscribeCOV asks to be told of changes (clause 13.14).
type SubscribeCOV struct {
	Process   uint32
	Object    ObjectID
	Cancel    bool // the two below are left out
	Confirmed bool
	Lifetime  uint32 // s; 0: for ever
}

// Append writes the request.
func (s SubscribeCOV) Append(b []byte) []byte {
	b = appendContextObject(appendContext(b, 0, s.Process), 1, s.Object)
	if s.Cancel {
		return b
	}
	return appendContext(appendContext(b, 2, uint32(flag(s.Confirmed, 1))), 3, s.Lifetime)
}

// ParseSubscribeCOV takes that request apart.
func ParseSubscribeCOV(b []byte) (s SubscribeCOV, err error) {
	r := reader{rest: b}
	s.Process, s.Object = r.number(0), r.object(1)
	if s.Cancel = len(r.rest) == 0; !s.Cancel {
		s.Confirmed, s.Lifetime = r.number(2) == 1, r.number(3)
	}
	return s, r.end()
}

// COVNotification tells of a change (clause 13.1).
type COVNotification struct {
	Process   uint32
	Device    ObjectID
	Object    ObjectID
	Remaining uint32 // s of the subscription
	Values    []Result
}

// Append writes the notification.
func (n COVNotification) Append(b []byte) []byte {
	b = appendContextObject(appendContext(b, 0, n.Process), 1, n.Device)
	b = appendOpening(appendContext(appendContextObject(b, 2, n.Object), 3, n.Remaining), 4)
	for _, v := range n.Values {
		b = appendValues(v.appendProperty(b, 0), 2, v.Values)
	}
	return appendClosing(b, 4)
}

// ParseCOVNotification takes it apart.
func ParseCOVNotification(b []byte) (n COVNotification, err error) {
	r := reader{rest: b}
	n.Process, n.Device, n.Object, n.Remaining = r.number(0), r.object(1), r.object(2), r.number(3)
	r.bracket(4, opening)
	for !r.bad && !r.next(4, closing) {
		v := Result{Reference: Reference{Object: n.Object}}
		r.property(&v.Reference, 0)
		v.Values = r.values(2)
		if r.next(3, 0) {
			r.number(3) // the priority of a command, which nobody here asks for
		}
		n.Values = append(n.Values, v)
	}
	r.bracket(4, closing)
	return n, r.end()
}

// Write commands a property at a priority (clause 15.9).
type Write struct {
	Reference
	Value    Value
	Priority uint8 // 1 to 16
}

// ErrPriority: priorities 1 to 8 belong to life safety, to critical equipment
// and to people; this client commands at 9 to 16 only.
var ErrPriority = errors.New("a value is written at a priority from 9 to 16 only")

// Append writes the request.
func (w Write) Append(b []byte) []byte {
	b = appendValues(AppendReadProperty(b, w.Reference), 3, []Value{w.Value})
	return appendContext(b, 4, uint32(w.Priority))
}

// ParseWrite takes that request apart. Without a priority it is 16.
func ParseWrite(b []byte) (w Write, err error) {
	r := reader{rest: b}
	w.Object, w.Priority = r.object(0), 16
	r.property(&w.Reference, 1)
	values := r.values(3)
	if len(values) != 1 {
		return w, ErrMalformed
	}
	w.Value = values[0]
	if len(r.rest) > 0 {
		n := r.number(4)
		if n < 1 || n > 16 {
			return w, ErrMalformed
		}
		w.Priority = uint8(n)
	}
	return w, r.end()
}
