package config

import (
	"fmt"
	"math"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// PlacedPoint is one point of one fan at its place on the wire. Of a Modbus
// point Table and Address say where it lies, of a BACnet point Object, whose
// value becomes words as [bacnet.Value.Words] and [bacnet.Value.Contact] make
// them.
type PlacedPoint struct {
	Point    reading.Point
	Unit     int // Modbus unit, or BACnet device instance, that holds it
	Table    decode.Table
	Address  int // protocol address, 0 to 65535
	Encoding decode.Encoding
	Object   bacnet.Reference // zero: a Modbus point

	States        []uint32                // of a multi-state object: at which the contact is closed
	DeviceUnit    bacnet.EngineeringUnits // what the device states and is not so
	HasDeviceUnit bool
	Priority      uint8 // that an output is commanded at, 9 to 16
}

// BACnet reports whether the point is a property of a BACnet object.
func (p PlacedPoint) BACnet() bool { return p.Object != (bacnet.Reference{}) }

// Where names the point's place in its unit as people look for it: "input 4",
// or "analog-input,3".
func (p PlacedPoint) Where() string {
	if p.BACnet() {
		return p.Object.String()
	}
	return fmt.Sprintf("%s %d", p.Table, p.Address)
}

// Words returns how many words the point has: on Modbus, how many addresses of
// its table it takes.
func (p PlacedPoint) Words() int {
	if p.Table.Bits() && !p.BACnet() {
		return 1
	}
	return p.Encoding.Type.Words()
}

// digit is the table's in the numbers of manuals.
func digit(of decode.Table) byte {
	for d, table := range digits {
		if table == of {
			return d
		}
	}
	return '?'
}

// Register returns the point's place as manuals number it: 40001 is address 0 of
// the holding registers. What lies beyond the ten thousandth has six digits.
func (p PlacedPoint) Register() string {
	if n := p.Address + 1; n > 9999 {
		return fmt.Sprintf("%c%05d", digit(p.Table), n)
	}
	return fmt.Sprintf("%c%04d", digit(p.Table), p.Address+1)
}

// Raw picks a point's words out of those of the fan: the words of each point that
// a poll reads, in the order of Points. It returns nil for a point that is not
// among them.
func (f *Fan) Raw(words []uint16, of reading.Point) []uint16 {
	at := 0
	for _, p := range f.Points {
		switch {
		case p.Point.Output():
			continue
		case p.Point == of && at+p.Words() <= len(words):
			return words[at : at+p.Words()]
		}
		at += p.Words()
	}
	return nil
}

// Placed returns the fan's point at its place, if the fan has it.
func (f *Fan) Placed(p reading.Point) (PlacedPoint, bool) {
	for _, placed := range f.Points {
		if placed.Point == p {
			return placed, true
		}
	}
	return PlacedPoint{}, false
}

// Given returns what the fleet file says of a setting of the fan's controller, in
// the base unit of its point, if it says anything: what holds by default is not
// given.
func (f *Fan) Given(p reading.Point) (value float64, given bool) {
	if p < reading.MinSpeed || p > reading.HighSpeedDelay || f.given&(1<<(p-reading.MinSpeed)) == 0 {
		return 0, false
	}
	value, _ = f.Setting(p)
	return value, true
}

// Setting returns what the fan is judged by of a setting of its controller, or
// its setpoint, be it given or a default; ok is false where the fan has no such
// setting or the fleet file does not know it.
func (f *Fan) Setting(p reading.Point) (value float64, ok bool) {
	switch p {
	case reading.Setpoint:
		return f.Setpoint, f.HasSetpoint
	case reading.MinSpeed:
		return f.MinSpeed, true
	case reading.MaxSpeed:
		return f.MaxSpeed, true
	case reading.IdleBelow:
		return f.IdleBelow, f.GoesIdle
	case reading.RunOn:
		return f.RunOn.Seconds(), f.GoesIdle
	case reading.RestartRise:
		return f.RestartRise, f.HasRestartRise
	case reading.StartDelay:
		return f.StartDelay.Seconds(), true
	case reading.StoppedBelow:
		return f.StoppedBelow, true
	case reading.OverrideSpeed:
		return f.OverrideSpeed, f.HasOverride
	case reading.HighSpeedAt:
		return f.HighSpeedAt, f.HasHighSpeed
	case reading.HighSpeedOffAt:
		return f.HighSpeedOffAt, f.HasHighSpeed
	case reading.HighSpeedDelay:
		return f.HighSpeedDelay.Seconds(), f.HasHighSpeed
	}
	return 0, false
}

// Controlled returns the point that the fan holds at its setpoint.
func (f *Fan) Controlled() reading.Point {
	if f.ControlsAirflow {
		return reading.Airflow
	}
	return reading.Pressure
}

// ProbeSide names the side that the probe is on. A fan that controls airflow
// has a flow probe and no side: it is "".
func (f *Fan) ProbeSide() string {
	if f.ControlsAirflow {
		return ""
	}
	return f.Probe.String()
}

// Usable reports whether a reading has what a fan is judged by: good values of
// its speed and of what it controls. A device may refuse other points.
func (f *Fan) Usable(r *reading.Reading) bool {
	return r.Quality(reading.Speed) == reading.Good && r.Quality(f.Controlled()) == reading.Good
}

// stillAir is how far below zero, in pascals, a velocity pressure may read over
// still air: the zero error of a common transmitter (common practice of the
// trade; no source).
const stillAir = 2

// Complete fills what follows from what was read: the airflow of a fan whose
// probe gives a velocity pressure. A pressure a little below zero is still air;
// one further below is no flow (swapped tubes, for one) and marks the airflow
// as without a value. Where the pressure is not good, the airflow has its
// quality.
//
// Source: the definition of velocity pressure, VP = rho V^2 / 2, and
// Q = factor * area * V.
func (f *Fan) Complete(r *reading.Reading) {
	quality := r.Quality(reading.VelocityPressure)
	if !f.ControlsAirflow || quality == reading.NotMapped || r.Quality(reading.Airflow) != reading.NotMapped {
		return
	}
	pressure, good := r.Get(reading.VelocityPressure)
	switch {
	case !good:
		r.Mark(reading.Airflow, quality)
	case pressure < -stillAir:
		r.Mark(reading.Airflow, reading.Marked)
	default:
		r.Set(reading.Airflow, f.ProbeFactor*f.ProbeArea*math.Sqrt(2*max(pressure, 0)/f.AirDensity))
	}
}
