// Package recording reads and writes recorded readings: CSV with a header,
// one reading of one fan a row.
//
// The columns, in any order: time (RFC 3339, or seconds since 1970), fan, speed
// (0 to 1), one of pressure_pa, airflow_m3s and velocity_pressure_pa, and
// optionally high_speed, setpoint_pa, setpoint_m3s, enable, running, proof,
// override, fault, rpm, power_w and quality. Contacts are 0 or 1. An empty cell
// is a point without a value; a point without a column is one that the fan does
// not have. A failed read is a row with empty values and its outcome as quality;
// without a quality the outcome is ok.
package recording

import (
	"strings"

	"fanwarden/poller/reading"
)

// kind is how the cells of a column are read.
type kind uint8

const (
	instant kind = iota
	fanID
	quality
	number
	speed
	contact
)

// column is one column of a recording.
type column struct {
	name  string
	kind  kind
	point reading.Point
}

// known lists the columns in the order in which they are written.
func known() []column {
	return []column{
		{name: "time", kind: instant},
		{name: "fan", kind: fanID},
		{"speed", speed, reading.Speed},
		{"high_speed", contact, reading.HighSpeed},
		{"pressure_pa", number, reading.Pressure},
		{"airflow_m3s", number, reading.Airflow},
		{"velocity_pressure_pa", number, reading.VelocityPressure},
		{setpointPa, number, reading.Setpoint},
		{setpointFlow, number, reading.Setpoint},
		{"enable", contact, reading.Enable},
		{"running", contact, reading.Running},
		{"proof", contact, reading.Proof},
		{"override", contact, reading.Override},
		{"fault", contact, reading.Fault},
		{"rpm", number, reading.RPM},
		{"power_w", number, reading.Power},
		{name: "quality", kind: quality},
	}
}

// The setpoint has a column for each kind of fan.
const (
	setpointPa   = "setpoint_pa"
	setpointFlow = "setpoint_m3s"
)

func find(name string) (column, bool) {
	for _, c := range known() {
		if c.name == name {
			return c, true
		}
	}
	return column{}, false
}

func names() string {
	var all []string
	for _, c := range known() {
		all = append(all, c.name)
	}
	return strings.Join(all, ", ")
}

func outcomes() string {
	var all []string
	for o := range reading.Outcomes {
		all = append(all, reading.Outcome(o).String())
	}
	return strings.Join(all, ", ")
}
