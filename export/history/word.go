package history

import (
	"math"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// A reading is kept as one word of 64 bits, stored as the float that has the
// same bits, so that a fan needs one sample a reading. The store writes of each
// word the bits that differ from the word before, in one run from the first to
// the last: what changes seldom stands at the top, what changes always at the
// bottom, and the upper bits of the value stand above those of the speed.
//
//	bits 63-62  zero, so that no word is a NaN or an infinity
//	bits 61-58  mode
//	bits 57-54  outcome of the poll
//	bits 53-42  six contacts, two bits each
//	bits 41-30  the upper 12 bits of the value
//	bits 29-14  the speed
//	bits 13-0   the lower 14 bits of the value
type word uint64

// The speed is kept in ten-thousandths, which is every count of a register in
// tenths or hundredths of a percent and every millivolt of a 0-10 V signal. The
// value is kept in 1/256 Pa, far below what a transmitter of duct pressure
// resolves, or in 1/16384 m3/s, a quarter of a litre a second having four.
const (
	speedCounts    = 10_000
	pressureCounts = 256
	flowCounts     = 16_384

	modeShift, outcomeShift, contactShift, upperShift, speedShift = 58, 54, 42, 30, 14

	lowerBits  = 14
	lowerMask  = 1<<lowerBits - 1
	valueMask  = 1<<26 - 1
	noValue    = valueMask
	speedMask  = 1<<16 - 1
	noSpeed    = speedMask
	fourBits   = 15
	twoBits    = 3
	contactSet = 6
)

// What a contact's two bits say.
const (
	notMapped = iota
	open
	closed
	noGood
)

// contacts are the contacts that are kept, in the order of their bits.
var contacts = [contactSet]reading.Point{reading.HighSpeed, reading.Enable, reading.Running, reading.Proof,
	reading.Override, reading.Fault}

// pack puts a reading of a fan that holds the controlled point into a word.
func pack(r *reading.Reading, controlled reading.Point, mode condition.Mode) word {
	w := word(mode)<<modeShift | word(r.Outcome)<<outcomeShift
	for i, p := range contacts {
		w |= contact(r, p) << (contactShift + 2*i)
	}
	speed := word(noSpeed)
	if v, good := r.Get(reading.Speed); good && v >= 0 {
		speed = word(min(math.Round(v*speedCounts), noSpeed-1))
	}
	value := word(noValue)
	if v, good := r.Get(controlled); good && !math.IsNaN(v) {
		value = zigzag(v * counts(controlled))
	}
	return w | value>>lowerBits<<upperShift | speed<<speedShift | value&lowerMask
}

func contact(r *reading.Reading, p reading.Point) word {
	switch {
	case r.Quality(p) == reading.NotMapped:
		return notMapped
	case r.On(p):
		return closed
	case r.Off(p):
		return open
	}
	return noGood
}

// zigzag puts the sign into the lowest bit, so that a value that swings about
// zero changes few bits. What is beyond the range is kept as its end.
func zigzag(v float64) word {
	n := int64(math.Round(max(-1<<25+2, min(1<<25-2, v))))
	return word(uint64(n)<<1^uint64(n>>63)) & valueMask
}

func counts(p reading.Point) float64 {
	if p == reading.Airflow {
		return flowCounts
	}
	return pressureCounts
}

func (w word) mode() condition.Mode {
	return condition.Mode(min(int(w>>modeShift&fourBits), condition.Modes-1))
}

func (w word) outcome() reading.Outcome {
	return reading.Outcome(min(int(w>>outcomeShift&fourBits), reading.Outcomes-1))
}

func (w word) contact(i int) int { return int(w >> (contactShift + 2*i) & twoBits) }

func (w word) speed() (v float64, good bool) {
	n := w >> speedShift & speedMask
	return float64(n) / speedCounts, n != noSpeed
}

// value returns the controlled value, of which there are so many counts to a
// unit.
func (w word) value(counts float64) (v float64, good bool) {
	n := w>>upperShift<<lowerBits&valueMask | w&lowerMask
	return float64(int64(n>>1)^-int64(n&1)) / counts, n != noValue
}

// unpack fills a reading with what the word says.
func (w word) unpack(r *reading.Reading, controlled reading.Point) {
	r.Outcome = w.outcome()
	for i, p := range contacts {
		switch w.contact(i) {
		case open:
			r.Set(p, 0)
		case closed:
			r.Set(p, 1)
		case noGood:
			r.Mark(p, reading.Unanswered)
		}
	}
	set(r, reading.Speed, w.speed)
	set(r, controlled, func() (float64, bool) { return w.value(counts(controlled)) })
}

func set(r *reading.Reading, p reading.Point, get func() (float64, bool)) {
	if v, good := get(); good {
		r.Set(p, v)
	} else {
		r.Mark(p, reading.Unanswered)
	}
}
