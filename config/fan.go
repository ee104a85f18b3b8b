package config

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Side is the side of the fan that its pressure probe is on.
type Side uint8

// The sides.
const (
	Suction Side = iota
	Discharge
)

// String returns the side as it stands in the fleet file.
func (s Side) String() string { return [...]string{"suction", "discharge"}[s] }

// Duty is what a fan is for.
type Duty string

// The duties. A fan without one is of unknown duty.
const (
	UnknownDuty  Duty = ""
	Bath         Duty = "bath"
	Laundry      Duty = "laundry"
	Kitchen      Duty = "kitchen"
	DryerShaft   Duty = "dryer_shaft"
	Garage       Duty = "garage"
	Laboratory   Duty = "laboratory"
	SmokeControl Duty = "smoke_control"
	General      Duty = "general"
)

// Duties lists the duties that a fan may have.
func Duties() []Duty {
	return []Duty{Bath, Laundry, Kitchen, DryerShaft, Garage, Laboratory, SmokeControl, General}
}

// Reference is where the low port of a pressure probe breathes.
type Reference uint8

// The references.
const (
	UnknownReference Reference = iota
	Indoor
	Outdoor
)

// Role is a fan's part among the fans of one riser.
type Role string

// The roles; a fan without a group has none.
const (
	NoRole   Role = ""
	Lead     Role = "lead"
	Lag      Role = "lag"
	Standby  Role = "standby"
	Parallel Role = "parallel"
)

// Fan is one exhaust fan with the controller that holds its pressure or
// airflow. Quantities are in base units (Pa, m3/s, ratio); speeds are ratios.
type Fan struct {
	ID       reading.FanID
	Gateway  *Gateway
	Building *Building
	PointMap *PointMap
	Unit     int // Modbus unit
	Base     int
	Slot     int
	Points   []PlacedPoint // the map's points at their places on the wire

	Name     string // default: the id
	Location string
	Serves   string
	Duty     Duty
	Group    string
	Role     Role

	ControlsAirflow bool
	Probe           Side
	Setpoint        float64 // Pa or m3/s; meaningless unless HasSetpoint
	HasSetpoint     bool
	MinSpeed        float64 // default 0.2
	MaxSpeed        float64 // default 1
	GoesIdle        bool    // idle_below is given
	IdleBelow       float64
	RunOn           time.Duration
	HasRestartRise  bool
	RestartRise     float64 // Pa, positive
	StartDelay      time.Duration
	StoppedBelow    float64 // default 0.05
	HasOverride     bool
	OverrideSpeed   float64
	HasHighSpeed    bool // high_speed_at is given
	HighSpeedAt     float64
	HighSpeedOffAt  float64 // default: HighSpeedAt
	HighSpeedDelay  time.Duration

	HasProbeRange bool
	ProbeLow      float64 // Pa (m3/s for airflow)
	ProbeHigh     float64
	Reference     Reference
	RiserHeight   float64 // m, 0: not known
	ProbeArea     float64 // m2, 0: not given
	ProbeFactor   float64 // default 1
	AirDensity    float64 // kg/m3, default 1.20138
	RatedPower    float64 // W, 0: not given
	RatedRPM      float64 // 0: not given

	LifeSafety     bool
	AllowExercise  bool
	ForceRelease   *float64      // raw value of force_speed that gives control back
	AbortPressure  *float64      // Pa
	ExerciseAtMost time.Duration // that an exercise may force it; default 10 min
	InService      time.Time     // zero: in service

	Rules condition.Settings // the fleet's, with the fan's own laid over them; shared where it has none

	origin origin
	given  uint16 // a bit for each setting, from MinSpeed on, that the file gives
}

// origin is the place in a file that a thing was read from.
type origin struct {
	file string
	line int
	keys map[string]int // lines of the keys that were given
}

// of returns the line of a key, or the thing's own where it was not given.
func (o origin) of(key string) int {
	if line, given := o.keys[key]; given {
		return line
	}
	return o.line
}

// either returns the first of two keys if it was given, or else the second.
func (o origin) either(first, second string) string {
	if _, given := o.keys[first]; given {
		return first
	}
	return second
}

// Place returns where the fan stands in the fleet file or the roster.
func (f *Fan) Place() (file string, line int) { return f.origin.file, f.origin.line }
