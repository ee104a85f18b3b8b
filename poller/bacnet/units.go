package bacnet

import "fmt"

// EngineeringUnits is a unit's number in the standard's enumeration.
type EngineeringUnits uint32

// NoUnits is the number of a plain value.
const NoUnits EngineeringUnits = 95

// unitNames gives the numbers the standard's names, and those that fleet files
// use where they have one. Numbers of fleet units are those of the standard as an
// open stack has them too (@bacnet-js/client 3.3.2); the others are from memory.
var unitNames = map[EngineeringUnits]struct{ standard, file string }{
	53: {"pascals", "Pa"}, 54: {"kilopascals", "kPa"}, 133: {"hectopascals", "hPa"}, 134: {"millibars", "mbar"},
	58: {"inches-of-water", "inH2O"}, 206: {"millimeters-of-water", "mmH2O"}, 57: {"centimeters-of-water", ""},
	55: {"bars", ""}, 56: {"pounds-force-per-square-inch", ""}, 59: {"millimeters-of-mercury", ""}, 61: {"inches-of-mercury", ""},
	84: {"cubic-feet-per-minute", "cfm"}, 85: {"cubic-meters-per-second", "m3/s"}, 135: {"cubic-meters-per-hour", "m3/h"},
	87: {"liters-per-second", "L/s"}, 88: {"liters-per-minute", ""}, 136: {"liters-per-hour", ""},
	74: {"meters-per-second", ""}, 77: {"feet-per-minute", ""},
	98: {"percent", "%"}, 5: {"volts", "V"}, 104: {"revolutions-per-minute", "rpm"}, 27: {"hertz", ""}, 29: {"percent-relative-humidity", ""},
	2: {"milliamperes", ""}, 3: {"amperes", ""}, 124: {"millivolts", ""},
	47: {"watts", "W"}, 48: {"kilowatts", "kW"}, 51: {"horsepower", "hp"},
	16: {"joules", "J"}, 18: {"watt-hours", "Wh"}, 19: {"kilowatt-hours", "kWh"},
	73: {"seconds", "s"}, 159: {"milliseconds", "ms"}, 72: {"minutes", "min"}, 71: {"hours", "h"}, 70: {"days", "d"},
	62: {"degrees-celsius", "C"}, 64: {"degrees-fahrenheit", "F"}, 63: {"degrees-kelvin", "K"},
	31: {"meters", "m"}, 33: {"feet", "ft"},
	NoUnits: {"no-units", ""}}

// Name returns the unit as fleet files write it, and whether it is known there;
// [NoUnits] has the name "".
func (u EngineeringUnits) Name() (string, bool) {
	name := unitNames[u].file
	return name, name != "" || u == NoUnits
}

// String returns the unit as people are shown it: by the fleet file's name, or
// by the standard's, or by its number.
func (u EngineeringUnits) String() string {
	names, known := unitNames[u]
	switch {
	case names.file != "":
		return names.file
	case known:
		return names.standard
	}
	return fmt.Sprintf("unit number %d", uint32(u))
}

// FindUnits returns the unit that the fleet file or the standard calls so.
func FindUnits(name string) (EngineeringUnits, bool) {
	for u, names := range unitNames {
		if name != "" && (names.file == name || names.standard == name) {
			return u, true
		}
	}
	return 0, false
}

// Units reads a value as engineering units.
func (v Value) Units() (EngineeringUnits, bool) {
	n, ok := v.Unsigned()
	return EngineeringUnits(n), ok && v.Type == Enumerated && n < 1<<32
}
