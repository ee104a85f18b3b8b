// Package condition is the vocabulary of what the rules find: the names of the
// conditions with their settings and defaults, severity, evidence, causes, the
// change of a condition, and the mode of a fan.
package condition

import (
	"fmt"

	"fanwarden/poller/units"
)

// Name names a condition, as it stands in fleet files, metrics and events.
type Name string

// The conditions. The doc comment of each rule says what it claims.
const (
	PinnedAtMax      Name = "pinned_at_max"
	StuckIdle        Name = "stuck_idle"
	InvertedSign     Name = "inverted_sign"
	Hunting          Name = "hunting"
	OffSetpoint      Name = "off_setpoint"
	PinnedAtMin      Name = "pinned_at_min"
	ContactDisagrees Name = "contact_disagrees"
	NoEffect         Name = "no_effect"
	SensorFrozen     Name = "sensor_frozen"
	SensorOutOfRange Name = "sensor_out_of_range"
	ShortCycling     Name = "short_cycling"
	OverrideLeftOn   Name = "override_left_on"
	ControllerFault  Name = "controller_fault"
	SettingsChanged  Name = "settings_changed"
	CreepingLoad     Name = "creeping_load"
	ControllerSilent Name = "controller_silent"
	GatewayDown      Name = "gateway_down"
	LineSilent       Name = "line_silent"
	DataNotMoving    Name = "data_not_moving"
)

// Severity is what a condition asks of people.
type Severity uint8

// The severities, the least urgent first.
const (
	Note   Severity = iota // worth knowing
	Ticket                 // wants somebody in working hours
	Page                   // wants somebody now
)

// String returns the severity as it stands in fleet files and metrics.
func (s Severity) String() string { return [...]string{"note", "ticket", "page"}[s] }

// MarshalText writes the severity by its name.
func (s Severity) MarshalText() ([]byte, error) { return []byte(s.String()), nil }

// UnmarshalText reads a severity by its name.
func (s *Severity) UnmarshalText(text []byte) error {
	found, ok := FindSeverity(string(text))
	if !ok {
		return fmt.Errorf("%q is not a severity", text)
	}
	*s = found
	return nil
}

// FindSeverity returns the severity of that name.
func FindSeverity(name string) (Severity, bool) {
	for s := Note; s <= Page; s++ {
		if s.String() == name {
			return s, true
		}
	}
	return 0, false
}

// Scope says whether a condition is a fan's or a gateway's own.
type Scope uint8

// The scopes.
const (
	OfFan Scope = iota
	OfGateway
)

// Definition is what the catalogue says of one condition.
type Definition struct {
	Name    Name
	Scope   Scope
	Meaning string // one sentence that a person on call would accept
	Default Setting
	Own     []Parameter // what it has beside enabled, hold and severity
}

// Parameter is a setting that one condition has beside the common three.
type Parameter struct {
	Key       string
	Meaning   string
	Dimension units.Dimension
	Default   float64 // in the base unit of Dimension
}
