// Package turnover proves the points of a fan before its building is handed
// over: that what is read through the point map is what is there.
//
// The proof is passive: it rests on words that were read, several times over a
// while, and says of each mapped point whether it answers, whether its value can
// be, whether it moves, and whether it agrees with the fan's other points and
// with the fleet file. Where it does not, every other way to read the same words
// is tried (sign, order, type, scale, unit, the neighbouring address or object) and
// the one that fits is named. What a BACnet object says against its own value, and
// the unit that it states, come first. Nothing is passed that was not seen: what the fan did not
// do meanwhile is "not seen", never "well".
//
// Where there is no point map yet, [Likely] proposes one from what the addresses of
// a unit held over a while.
package turnover

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Verdict is how the proof of a point ended.
type Verdict uint8

// The verdicts, the worse the greater.
const (
	NotApplicable Verdict = iota // there is nothing to prove
	Pass
	NotSeen // nothing speaks against it, and the fan did not do what would prove it
	Fail
)

// String returns the verdict as it is printed and recorded.
func (v Verdict) String() string {
	return [...]string{"not_applicable", "pass", "not_seen", "fail"}[v]
}

// MarshalText writes the verdict by its name.
func (v Verdict) MarshalText() ([]byte, error) { return []byte(v.String()), nil }

// UnmarshalText reads a verdict by its name; what is none is a failure.
func (v *Verdict) UnmarshalText(text []byte) error {
	*v = Fail
	for one := NotApplicable; one <= Fail; one++ {
		if one.String() == string(text) {
			*v = one
		}
	}
	return nil
}

// Look is what one round of reading found of a fan.
type Look struct {
	Time    time.Time
	Answers []Answer // one for each of Points(fan)
}

// Answer is what one point's addresses held.
type Answer struct {
	Words   []uint16         // as they came; nil where Failure says why there are none
	Failure *reading.Failure // nil where there are words
	Before  []uint16         // the one address before, nil where it was not read
	After   []uint16         // up to two addresses after
	// Of a BACnet point: what its object says of the value. Before and After are
	// then the values of the objects of the instances beside it.
	Object *Says
}

// Points are the points of a fan that are read: all but those that only an
// exercise writes, in the order of the fan's.
func Points(f *config.Fan) []config.PlacedPoint {
	var points []config.PlacedPoint
	for _, p := range f.Points {
		if !p.Point.Output() {
			points = append(points, p)
		}
	}
	return points
}

// Proof is what is proven of one point.
type Proof struct {
	Place   config.PlacedPoint
	Verdict Verdict
	Reason  string // a sentence, in the units of the site
	// Raw are the words that were read last, and Value what they mean in the base
	// unit; Known is false where they mean no value.
	Raw   []uint16
	Value float64
	Known bool
	Said  *Says // what the object of a BACnet point said last
	// Expected is what the value was to be, where the fleet file or another point
	// says so, and Tolerance how far it may be from that.
	Expected  *float64
	Tolerance float64
	Looks     int // how often it was asked
	Answered  int // and how often it answered
	First     time.Time
	Last      time.Time
}

// Seen is something that the fan did, or did not do, while it was looked at.
type Seen struct {
	What    string  `json:"what"` // idle, run-on, restart, ...
	Verdict Verdict `json:"verdict"`
	Reason  string  `json:"reason"`
}

// Fan is what is proven of one fan.
type Fan struct {
	Fan    *config.Fan
	Proofs []Proof
	Seen   []Seen
	// Doubt says why what is read may not be of this fan or of now: nothing may be
	// written to it. "" where nothing is known against it.
	Doubt string
}

// Failed reports whether a point of the fan failed, or what the fan did by itself is
// not what the fleet file says.
func (f *Fan) Failed() bool {
	for _, s := range f.Seen {
		if s.Verdict == Fail {
			return true
		}
	}
	for i := range f.Proofs {
		if f.Proofs[i].Verdict == Fail {
			return true
		}
	}
	return false
}
