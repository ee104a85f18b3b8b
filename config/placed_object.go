package config

import (
	"math"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/units"
)

// ValueWords makes the point's words of what its property holds: two of a
// number, one of a contact. It returns nil where that is neither.
func (p PlacedPoint) ValueWords(values []bacnet.Value) []uint16 {
	if len(values) != 1 {
		return nil
	}
	if p.Encoding.Type == decode.Bool {
		word, ok := values[0].Contact(p.States)
		if !ok {
			return nil
		}
		return []uint16{word}
	}
	pair, ok := values[0].Words()
	if !ok {
		return nil
	}
	return pair[:]
}

// sameFactor is how far apart, of each other, the unit that a device states and
// that of the map may lie. (An engineering choice: the inch of water has three
// definitions within a tenth of a percent, NIST SP 811 appendix B.8.)
const sameFactor = 0.01

// sameZero is how far apart the zeros of two scales of temperature may lie, in
// degrees: an offset of the map may correct a sensor. (An engineering choice.)
const sameZero = 5

// Agrees reports whether the unit that a device states is that in which the map
// reads the point, or tells nothing against it: no-units, a unit whose size is not
// known here, and one that the map declares to be wrong. The sign of a
// scale does not count.
func (p PlacedPoint) Agrees(stated bacnet.EngineeringUnits) bool {
	device, known := sizeOf(stated)
	of := p.Encoding.Unit
	if !known || of.Factor == 0 || p.HasDeviceUnit && p.DeviceUnit == stated {
		return true
	}
	// A speed in rpm is placed as a share of its fan's full speed.
	if plain, _ := units.Find(of.Name); plain.Dimension != of.Dimension {
		of = plain
	}
	zero := p.Encoding.Offset*of.Factor + of.Offset
	return device.Dimension == of.Dimension &&
		math.Abs(math.Abs(p.Encoding.Scale*of.Factor)-device.Factor) <= sameFactor*device.Factor &&
		(of.Dimension != units.Temperature || math.Abs(zero-device.Offset) <= sameZero)
}

// onlyStated are units that devices state and the fleet file does not have, but could
// mean by scale (NIST SP 811 appendix B.8; of water the conventional one).
var onlyStated = map[bacnet.EngineeringUnits]units.Unit{
	57: {Name: "centimeters-of-water", Dimension: units.Pressure, Factor: 98.0665},
	55: {Name: "bars", Dimension: units.Pressure, Factor: 1e5},
	56: {Name: "pounds-force-per-square-inch", Dimension: units.Pressure, Factor: 6894.757},
	59: {Name: "millimeters-of-mercury", Dimension: units.Pressure, Factor: 133.3224},
	61: {Name: "inches-of-mercury", Dimension: units.Pressure, Factor: 3386.389},
	88: {Name: "liters-per-minute", Dimension: units.Flow, Factor: 1e-3 / 60}, 136: {Name: "liters-per-hour", Dimension: units.Flow, Factor: 1e-3 / 3600},
}

// sizeOf returns the unit that a device states, and whether its size is known.
func sizeOf(stated bacnet.EngineeringUnits) (units.Unit, bool) {
	if u, known := onlyStated[stated]; known {
		return u, true
	}
	name, _ := stated.Name()
	return units.Find(name)
}

// Stated reports whether the point's object states the unit of what is read: the
// present value of an analog object.
func (p PlacedPoint) Stated() bool {
	return p.Object.Object.Type.Analog() && p.Present()
}

// Present reports whether the point is the present value of its object, which is
// what the object's flags speak of.
func (p PlacedPoint) Present() bool {
	return p.Object.Property == bacnet.PresentValue && !p.Object.Indexed
}
