package bacnet

import "fanwarden/poller/reading"

// Worth says what a present value is worth by its object's status flags and
// reliability. A fault, out of service and overridden are three different things
// (clause 12); that an object is in alarm says nothing against its value.
func Worth(f StatusFlags, r Reliability) reading.Quality {
	switch {
	case f.Fault || r != 0:
		return reading.Faulty
	case f.OutOfService:
		return reading.OutOfService
	case f.Overridden:
		return reading.Overridden
	}
	return reading.Good
}
