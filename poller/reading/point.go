// Package reading is the vocabulary of what comes in from the field: the ids
// of fans and gateways, the points of a fan, and a reading of them with the
// time, the quality of each value and the outcome of the poll. Values are in
// the base units of package units.
package reading

import (
	"fmt"

	"fanwarden/poller/units"
)

// FanID names a fan; it is unique in the fleet.
type FanID string

// GatewayID names a gateway; it is unique in the fleet.
type GatewayID string

// BuildingID names a building; it is unique in the fleet.
type BuildingID string

// Point is one of the values that a fan, its controller or its gateway can
// give.
type Point uint8

// The points. Those up to RunHours are what a fan does, those from MinSpeed on
// are its controller's settings read back under the names of the fleet file's
// fan keys; ForceSpeed and ForceOn are outputs that only a turnover exercise
// writes; the last ones are what a gateway says about itself or its units.
const (
	Pressure           Point = iota // Pa, at the probe
	Airflow                         // m3/s
	VelocityPressure                // Pa, of a flow probe
	Speed                           // ratio, commanded
	HighSpeed                       // contact, 1 closed
	Setpoint                        // Pa, or m3/s for a fan that controls airflow
	Enable                          // 1: permitted to run
	Running                         // 1: the controller says that it runs
	Proof                           // 1: an independent switch says that it runs
	Override                        // 1: the override input forces its speed
	Fault                           // 1: the controller reports a fault of its own
	RPM                             // rpm
	Power                           // W
	Energy                          // J
	RunHours                        // s
	MinSpeed                        // ratio
	MaxSpeed                        // ratio
	IdleBelow                       // ratio
	RunOn                           // s
	RestartRise                     // Pa
	StartDelay                      // s
	StoppedBelow                    // ratio
	OverrideSpeed                   // ratio
	HighSpeedAt                     // ratio
	HighSpeedOffAt                  // ratio
	HighSpeedDelay                  // s
	ForceSpeed                      // ratio, output
	ForceOn                         // 1: take the forced speed, output
	HeardAgo                        // s since the gateway last heard from the unit
	Heartbeat                       // a word that must change
	OutdoorTemperature              // C
	Points             int   = iota
)

// points describes each point; the order is that of the constants.
var points = [Points]struct {
	name      string
	dimension units.Dimension
	contact   bool
}{
	Pressure:           {name: "pressure", dimension: units.Pressure},
	Airflow:            {name: "airflow", dimension: units.Flow},
	VelocityPressure:   {name: "velocity_pressure", dimension: units.Pressure},
	Speed:              {name: "speed", dimension: units.Ratio},
	HighSpeed:          {name: "high_speed", contact: true},
	Setpoint:           {name: "setpoint", dimension: units.Pressure},
	Enable:             {name: "enable", contact: true},
	Running:            {name: "running", contact: true},
	Proof:              {name: "proof", contact: true},
	Override:           {name: "override", contact: true},
	Fault:              {name: "fault", contact: true},
	RPM:                {name: "rpm", dimension: units.Rotation},
	Power:              {name: "power", dimension: units.Power},
	Energy:             {name: "energy", dimension: units.Energy},
	RunHours:           {name: "run_hours", dimension: units.Time},
	MinSpeed:           {name: "min_speed", dimension: units.Ratio},
	MaxSpeed:           {name: "max_speed", dimension: units.Ratio},
	IdleBelow:          {name: "idle_below", dimension: units.Ratio},
	RunOn:              {name: "run_on", dimension: units.Time},
	RestartRise:        {name: "restart_rise", dimension: units.Pressure},
	StartDelay:         {name: "start_delay", dimension: units.Time},
	StoppedBelow:       {name: "stopped_below", dimension: units.Ratio},
	OverrideSpeed:      {name: "override_speed", dimension: units.Ratio},
	HighSpeedAt:        {name: "high_speed_at", dimension: units.Ratio},
	HighSpeedOffAt:     {name: "high_speed_off_at", dimension: units.Ratio},
	HighSpeedDelay:     {name: "high_speed_delay", dimension: units.Time},
	ForceSpeed:         {name: "force_speed", dimension: units.Ratio},
	ForceOn:            {name: "force_on", contact: true},
	HeardAgo:           {name: "heard_ago", dimension: units.Time},
	Heartbeat:          {name: "heartbeat"},
	OutdoorTemperature: {name: "outdoor_temperature", dimension: units.Temperature},
}

// String returns the point's name as it stands in point maps.
func (p Point) String() string { return points[p].name }

// Dimension returns the kind of the point's value. The setpoint is a pressure
// here; where a fan controls airflow it is a flow, which the fleet file
// decides and not the point.
func (p Point) Dimension() units.Dimension { return points[p].dimension }

// Contact reports whether the point is on or off: its values are 1 and 0.
func (p Point) Contact() bool { return points[p].contact }

// Output reports whether the point is written by a turnover exercise and has
// no part in a poll.
func (p Point) Output() bool { return p == ForceSpeed || p == ForceOn }

// MarshalText writes the point by its name.
func (p Point) MarshalText() ([]byte, error) { return []byte(p.String()), nil }

// UnmarshalText reads a point by its name.
func (p *Point) UnmarshalText(text []byte) error {
	found, ok := FindPoint(string(text))
	if !ok {
		return fmt.Errorf("%q is not a point", text)
	}
	*p = found
	return nil
}

// FindPoint returns the point of that name.
func FindPoint(name string) (Point, bool) {
	for p := range points {
		if points[p].name == name {
			return Point(p), true
		}
	}
	return 0, false
}
