// Package alarm is the life of a condition as people handle it: raised,
// acknowledged, returned to normal, shelved for a time, out of service,
// suppressed by its cause. It is pure: what happens comes in with its time, and
// what became of it goes out as entries for the journal.
//
// The states are those of the open standards (OPC 10000-9, section 5.8; the same
// are known from ISA-18.2 and IEC 62682, that from memory):
//
//	               raised            acknowledged
//	Normal ───────────▶ Unacknowledged ──────────▶ Acknowledged
//	  ▲                   │       ▲                  │
//	  │ acknowledged      │ clear │ raised           │ clear
//	  └──────── Returned ◀┘───────┘                  └──▶ Normal
//
// Beside its state an alarm may be shelved, suppressed or out of service: then
// its life goes on, and nobody is told.
package alarm

import (
	"fmt"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// ID names one alarm for ever: condition, fan or gateway, and when it was
// raised.
type ID string

// State is where an alarm stands between the condition and people.
type State uint8

// The states.
const (
	Normal         State = iota // over, and known
	Unacknowledged              // stands, and nobody has said that they know
	Acknowledged                // stands, and somebody knows
	Returned                    // over, and nobody has said that they know
)

// String returns the state as it stands in files and answers.
func (s State) String() string {
	return [...]string{"normal", "unacknowledged", "acknowledged", "returned"}[s]
}

// MarshalText writes the state by its name.
func (s State) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a state by its name.
func (s *State) UnmarshalText(text []byte) error {
	for *s = Normal; *s <= Returned; *s++ {
		if s.String() == string(text) {
			return nil
		}
	}
	return fmt.Errorf("%q is not a state of an alarm", text)
}

// Active reports whether the condition stands.
func (s State) Active() bool { return s == Unacknowledged || s == Acknowledged }

// Alarm is one alarm as it is now.
type Alarm struct {
	ID        ID                 `json:"id"`
	Building  reading.BuildingID `json:"building"`
	Gateway   reading.GatewayID  `json:"gateway"`
	Fan       reading.FanID      `json:"fan,omitempty"` // "" for a gateway's own
	Condition condition.Name     `json:"condition"`
	Severity  condition.Severity `json:"severity"`
	Incident  string             `json:"incident,omitempty"`
	State     State              `json:"state"`

	Since   time.Time        `json:"since"`            // when it was first raised
	Raised  time.Time        `json:"raised"`           // when it was last raised
	Cleared time.Time        `json:"cleared,omitzero"` // when it last was
	Reason  condition.Reason `json:"reason,omitempty"` // why it was cleared
	condition.Finding

	Acknowledgement *Act           `json:"acknowledgement,omitempty"`
	Shelf           *Shelf         `json:"shelf,omitempty"`
	SuppressedBy    condition.Name `json:"suppressed_by,omitempty"` // the cause that explains it
	OutOfService    bool           `json:"out_of_service,omitempty"`

	// Told are the ways out by which people were told of it, and not yet that it is
	// over.
	Told []string `json:"told,omitempty"`

	// Times is how often it was raised in this one life; Chattering says that it
	// comes and goes too often to be told each time.
	Times      int  `json:"times"`
	Chattering bool `json:"chattering,omitempty"`
}

// Quiet reports whether nobody is to be told of the alarm now.
func (a Alarm) Quiet() bool { return a.Shelf != nil || a.SuppressedBy != "" || a.OutOfService }

// Act is what somebody did, and why.
type Act struct {
	Time time.Time `json:"time"`
	Who  string    `json:"who"`
	Why  string    `json:"why,omitempty"`
}

// Shelf puts an alarm aside until a time.
type Shelf struct {
	Act
	Until time.Time `json:"until"`
}

// What happened to an alarm, in the words of the journal.
type What string

// What can happen.
const (
	WasRaised         What = "raised"
	WasRaisedAgain    What = "raised again"
	WasUrged          What = "became more urgent"
	WasCleared        What = "cleared"
	WasSuppressed     What = "suppressed"
	WasAcknowledged   What = "acknowledged"
	WasShelved        What = "shelved"
	WasUnshelved      What = "unshelved"
	ShelfEnded        What = "shelf ended"
	BeganToChatter    What = "began to chatter"
	CeasedToChatter   What = "ceased to chatter"
	WasTakenOut       What = "taken out of service" // of a fan
	WasPutIntoService What = "put into service"
)

// Entry is one line of the journal: what happened, who did it and why, and the
// alarm as it was afterwards.
type Entry struct {
	Time  time.Time     `json:"time"`
	What  What          `json:"what"`
	Who   string        `json:"who,omitempty"` // "" for what nobody did
	Why   string        `json:"why,omitempty"`
	Fan   reading.FanID `json:"fan,omitempty"` // of an act on a fan; then there is no alarm
	Alarm *Alarm        `json:"alarm,omitempty"`
}

// Of returns the fan that the entry is about, "" for a gateway's own.
func (e *Entry) Of() reading.FanID {
	if e.Alarm != nil {
		return e.Alarm.Fan
	}
	return e.Fan
}
