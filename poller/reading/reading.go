package reading

import "time"

// Reading is all points of one fan at one instant. The zero value is a
// reading in which no point is mapped.
//
// A failed poll is a reading too: it has its outcome and no values. Nothing in
// a reading is ever carried over from an earlier one.
type Reading struct {
	Fan     FanID
	Gateway GatewayID
	// Time is when the oldest value in the reading was answered (or, where the
	// gateway says so, when it last heard from the unit), or when the
	// poll failed.
	Time    time.Time
	Outcome Outcome
	// ExceptionCode is the Modbus exception of the first point that was
	// refused (1 to 255), 0 where none was.
	ExceptionCode uint8

	values  [Points]float64
	quality [Points]Quality
}

// Set gives a point a good value, in the base unit of its dimension; contacts
// are 1 or 0.
func (r *Reading) Set(p Point, value float64) { r.values[p], r.quality[p] = value, Good }

// Mark says why a mapped point has no good value. The value itself is dropped,
// so that it cannot be used by mistake.
func (r *Reading) Mark(p Point, q Quality) { r.values[p], r.quality[p] = 0, q }

// Age marks every good value as stale: it has turned out to be older than the
// reading's time says.
func (r *Reading) Age() {
	for p := range r.quality {
		if r.quality[p] == Good {
			r.Mark(Point(p), Stale)
		}
	}
}

// Get returns a point's value and whether it is good.
func (r *Reading) Get(p Point) (value float64, good bool) {
	return r.values[p], r.quality[p] == Good
}

// On reports whether a contact is known to be closed.
func (r *Reading) On(p Point) bool { return r.quality[p] == Good && r.values[p] != 0 }

// Off reports whether a contact is known to be open. A contact that is not
// mapped, or has no good value, is neither on nor off.
func (r *Reading) Off(p Point) bool { return r.quality[p] == Good && r.values[p] == 0 }

// Quality returns what a point's value is worth.
func (r *Reading) Quality(p Point) Quality { return r.quality[p] }

// Clear makes r an empty reading that can be filled anew.
func (r *Reading) Clear() { *r = Reading{} }
