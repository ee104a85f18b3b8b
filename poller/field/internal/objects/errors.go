package objects

import "fanwarden/poller/bacnet"

// Error classes and codes of clause 18 (BACnetErrorClass and BACnetErrorCode).
const (
	ofObject    = 1
	ofProperty  = 2
	ofResources = 3
	ofServices  = 5
)

// UnknownObject is the refusal of an object that the device does not have.
func UnknownObject() *bacnet.RemoteError   { return &bacnet.RemoteError{Class: ofObject, Code: 31} }
func unknownProperty() *bacnet.RemoteError { return &bacnet.RemoteError{Class: ofProperty, Code: 32} }
func notAnArray() *bacnet.RemoteError      { return &bacnet.RemoteError{Class: ofProperty, Code: 50} }
func noSuchIndex() *bacnet.RemoteError     { return &bacnet.RemoteError{Class: ofProperty, Code: 42} }
func writeDenied() *bacnet.RemoteError     { return &bacnet.RemoteError{Class: ofProperty, Code: 40} }
func wrongType() *bacnet.RemoteError       { return &bacnet.RemoteError{Class: ofProperty, Code: 9} }
func outOfRange() *bacnet.RemoteError      { return &bacnet.RemoteError{Class: ofProperty, Code: 37} }

// NoSpace is the refusal of one more subscription where there is no room.
func NoSpace() *bacnet.RemoteError { return &bacnet.RemoteError{Class: ofResources, Code: 20} }

// NotSupported is the refusal of what a device need not be able to do.
func NotSupported() *bacnet.RemoteError { return &bacnet.RemoteError{Class: ofServices, Code: 45} }
