package reading

// Outcome is how the poll of one fan ended. It is counted apart from the
// values: "no data", "the device refused", "the gateway says that its unit is
// silent" and "the gateway is gone" are four different things.
type Outcome uint8

// The outcomes.
const (
	OK              Outcome = iota // every point was answered
	Timeout                        // no answer in time
	Refused                        // the connection was refused or no way leads there
	Reset                          // the connection broke during the conversation
	Exception                      // the device answered with a refusal of its own
	UnitSilent                     // the gateway lives and says that the unit does not answer (exception 0B)
	PathUnavailable                // the gateway has no way to the unit (exception 0A)
	Garbled                        // the answer was cut short or made no sense
	Invalid                        // answered, but the controlled value or the speed is marked as no value
	Outcomes        int     = iota
)

var outcomes = [Outcomes]string{"ok", "timeout", "refused", "reset", "exception", "unit_silent",
	"path_unavailable", "garbled", "invalid"}

// String returns the outcome as it stands in metrics and recorded readings.
func (o Outcome) String() string { return outcomes[o] }

// FindOutcome returns the outcome of that name.
func FindOutcome(name string) (Outcome, bool) {
	for o, n := range outcomes {
		if n == name {
			return Outcome(o), true
		}
	}
	return 0, false
}

// Answered reports whether the fan's own controller was heard: with values,
// with values marked invalid, or with a refusal of its own.
func (o Outcome) Answered() bool { return o == OK || o == Invalid || o == Exception }

// GatewayAnswered reports whether the outcome proves that the gateway lives.
func (o Outcome) GatewayAnswered() bool {
	return o.Answered() || o == UnitSilent || o == PathUnavailable
}

// Quality says what a point's value is worth.
type Quality uint8

// The qualities of a value. Only a Good one is judged or exported.
const (
	NotMapped Quality = iota // the fan has no such point
	Good
	Stale      // older than the fleet file's stale_after when it was read
	Marked     // a raw word that means "no value", a NaN, or a number that cannot be
	Unanswered // the device did not answer for this point, or refused it
	// What a BACnet device says of its own value (clause 12, status flags and
	// reliability), and what its units property says against the point map.
	Faulty       // not reliable
	OutOfService // cut off from what it measures or drives
	Overridden   // set by hand at the device: it does not follow what it measures or drives
	OtherUnit    // in another unit than the point map has it
)

// String returns the quality in words.
func (q Quality) String() string {
	return [...]string{"not mapped", "good", "stale", "invalid", "unanswered",
		"fault", "out of service", "overridden", "another unit"}[q]
}

// Worthless reports whether the device answered for the point with something that
// is no value of it.
func (q Quality) Worthless() bool {
	switch q {
	case Marked, Faulty, OutOfService, Overridden, OtherUnit:
		return true
	}
	return false
}
