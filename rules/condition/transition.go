package condition

import (
	"time"

	"fanwarden/poller/reading"
)

// Mode is what a fan is doing; it decides which rules may judge it.
type Mode uint8

// The modes. A fan is in exactly one. From Starting on it runs at a speed of its
// controller's own choice.
const (
	Unknown     Mode = iota // nothing good was read lately
	Disabled                // not permitted to run
	Forced                  // at a speed that its override input forces
	Stopped                 // at rest, and nothing says that it went idle by itself
	Idle                    // stopped by its own controller for lack of demand
	Starting                // within its start and the settling after it
	Controlling             // between its limits
	AtMax                   // at its top speed
	AtMin                   // at its lowest speed
	RunOn                   // at or below idle_below, about to go idle
	Modes       int  = iota
)

// String returns the mode as it stands in metrics.
func (m Mode) String() string {
	return [...]string{"unknown", "disabled", "forced", "stopped", "idle", "starting", "controlling", "at_max",
		"at_min", "run_on"}[m]
}

// Own reports whether a fan in this mode runs at a speed of its controller's own
// choice.
func (m Mode) Own() bool { return m >= Starting }

// Change is what became of a condition.
type Change string

// The changes.
const (
	Raised  Change = "raised"
	Cleared Change = "cleared"
)

// Reason says why a condition was cleared.
type Reason string

// The reasons.
const (
	Recovered Reason = "recovered" // the evidence is gone
	Silenced  Reason = "silenced"  // another condition explains it
	Disarmed  Reason = "disarmed"  // the rule was switched off, or the fan left the fleet file
	// Superseded: the same condition is raised again at once with a higher
	// severity.
	Superseded Reason = "superseded"
)

// Number is one figure of the evidence: what a person can check on the trend.
// Its name ends in the base unit ("pressure_pa", "speed", "stood_s").
type Number struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
}

// Cause is something that would explain a condition.
type Cause struct {
	What   string `json:"what"`             // in words that a technician uses
	Speaks string `json:"speaks,omitempty"` // what in this case speaks for it, and can be seen on the trend; "" where nothing tells it from the others
	Check  string `json:"check,omitempty"`  // the first safe thing to look at
}

// Finding is what a rule has to say for a condition: a sentence, the numbers
// it rests on, and the likely causes, the likeliest first.
type Finding struct {
	Summary  string   `json:"summary"`
	Evidence []Number `json:"evidence,omitempty"`
	Causes   []Cause  `json:"causes,omitempty"`
}

// Standing is a condition that stands now.
type Standing struct {
	Condition  Name
	Severity   Severity
	Since      time.Time // when its evidence began
	Raised     time.Time // when it was raised; zero while it was never raised because it is silenced
	SilencedBy Name      // the condition that explains it, "" where none does
	Incident   string    // the id of the incident that it is part of, "" where it stands alone
	Finding
}

// Transition is one change of one condition.
type Transition struct {
	Time      time.Time
	Building  reading.BuildingID
	Gateway   reading.GatewayID
	Fan       reading.FanID // "" for a gateway's own
	Condition Name
	Change    Change
	Reason    Reason // of a clearing
	// SilencedBy is the condition that explains it, of one cleared as Silenced.
	SilencedBy Name
	Severity   Severity
	Incident   string // the id of the incident that it is part of, "" where it stands alone
	Finding
}

// State is what a rule can say of its condition now.
type State uint8

// The states.
const (
	CannotJudge State = iota // no verdict yet
	Absent
	Present
)

// Verdict is the state of one enabled condition, for metrics and pages.
type Verdict struct {
	Condition Name
	Severity  Severity
	State     State
}
