package bacnet

import (
	"errors"
	"fmt"
)

// ErrTimeout: every try of a request went unanswered.
var ErrTimeout = errors.New("no answer in time")

// ErrNoWay: a router said that it has no way to the device's network.
var ErrNoWay = errors.New("the router has no way to the network of the device")

// ErrRegistration: a BBMD took us for no foreign device.
var ErrRegistration = errors.New("the BBMD refused the registration as a foreign device")

// ErrClosed: the client was closed.
var ErrClosed = errors.New("the client is closed")

// RemoteError is an Error-PDU, or the error of one property: the device
// understood the request and could not carry it out (clause 18).
type RemoteError struct{ Class, Code uint32 }

// Error names class and code.
func (e *RemoteError) Error() string {
	return fmt.Sprintf("the device answered with error class %d, code %d", e.Class, e.Code)
}

// Reasons of rejects and aborts (BACnetRejectReason and BACnetAbortReason, from
// memory).
const (
	InvalidTag               = 4
	UnrecognizedService      = 9
	AbortOther               = 0
	BufferOverflow           = 1
	InvalidAPDUInState       = 2
	SegmentationNotSupported = 4
)

// Reject is a Reject-PDU: the device did not understand the request.
type Reject struct{ Reason uint8 }

// Error names the reason.
func (e *Reject) Error() string {
	return fmt.Sprintf("the device rejected the request, reason %d", e.Reason)
}

// Abort is an Abort-PDU: the device broke the conversation off.
type Abort struct{ Reason uint8 }

// Error names the reason.
func (e *Abort) Error() string {
	return fmt.Sprintf("the device aborted the request, reason %d", e.Reason)
}

// UnknownProperty is the code of an error by which an object says that it does not
// have a property at all (BACnetErrorCode, from memory).
const UnknownProperty = 32

// append writes class and code.
func (e *RemoteError) append(b []byte) []byte {
	return EnumeratedValue(e.Code).append(EnumeratedValue(e.Class).append(b))
}

// AppendError writes the data of an Error-PDU.
func AppendError(b []byte, e RemoteError) []byte { return e.append(b) }

// remoteError takes class and code.
func (r *reader) remoteError() *RemoteError {
	return &RemoteError{Class: r.application(Enumerated), Code: r.application(Enumerated)}
}

// application takes a whole number of at most 32 bits with this application tag.
func (r *reader) application(want Type) uint32 {
	v := r.value()
	if v.Type != want || len(v.Content) == 0 || len(v.Content) > 4 {
		r.fail()
		return 0
	}
	return uint32(unsigned(v.Content))
}
