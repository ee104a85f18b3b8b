// Package units knows the units of measure that fleet files, point maps and
// people use, and turns each into the one unit that the program computes in.
//
// Inside the program every quantity is in the base unit of its [Dimension]
// (pascal, cubic metre a second, ratio, ...); units appear only where a file
// is read or a person is spoken to.
package units

// Dimension is the kind of a quantity. Its doc comment names the base unit in
// which the program holds it.
type Dimension uint8

// The dimensions, each with its base unit.
const (
	Plain       Dimension = iota // contacts, counts and words: no unit
	Pressure                     // pascal (Pa)
	Flow                         // cubic metre a second (m3/s)
	Ratio                        // 1; a speed of 1 is full speed
	Rotation                     // revolutions a minute (rpm), as the trade counts it
	Power                        // watt (W)
	Energy                       // joule (J)
	Time                         // second (s)
	Temperature                  // degree Celsius (C)
	Length                       // metre (m)
	Area                         // square metre (m2)
	Density                      // kilogram a cubic metre (kg/m3)
)

// String returns the dimension's name as it stands in messages.
func (d Dimension) String() string {
	names := [...]string{"plain number", "pressure", "airflow", "ratio", "rotation", "power", "energy", "time",
		"temperature", "length", "area", "density"}
	return names[d]
}

// Unit is one unit of measure: a value in it becomes one in the base unit of
// its dimension by value*Factor + Offset.
type Unit struct {
	Name      string
	Dimension Dimension
	Factor    float64
	Offset    float64
}

// Base converts a value in u to the base unit of its dimension.
func (u Unit) Base(value float64) float64 { return value*u.Factor + u.Offset }

// From converts a value in the base unit of u's dimension to u.
func (u Unit) From(base float64) float64 { return (base - u.Offset) / u.Factor }

// Factors to the base units.
//
// Sources: NIST SP 811 appendix B.8 for the conventional inch of water
// (249.08891 Pa; the inch at 39.2 F is 249.082 Pa and at 60 F 248.84 Pa, and
// the project uses neither), the conventional millimetre of water
// (9.80665 Pa), the foot (0.3048 m), the cubic foot a minute and the
// horsepower of 550 ft lbf/s. A 0-10 V speed signal is volts / 10.
const (
	inchOfWater       = 249.08891
	millimetreOfWater = 9.80665
	foot              = 0.3048
	cubicFootAMinute  = foot * foot * foot / 60 // 4.719474e-4
	horsepower        = 745.69987
	pound             = 0.45359237
)

// table lists every unit, each dimension's base unit first.
var table = [...]Unit{
	{"Pa", Pressure, 1, 0},
	{"hPa", Pressure, 100, 0},
	{"mbar", Pressure, 100, 0},
	{"kPa", Pressure, 1000, 0},
	{"inH2O", Pressure, inchOfWater, 0},
	{"mmH2O", Pressure, millimetreOfWater, 0},
	{"m3/s", Flow, 1, 0},
	{"m3/h", Flow, 1.0 / 3600, 0},
	{"L/s", Flow, 1e-3, 0},
	{"cfm", Flow, cubicFootAMinute, 0},
	{"ratio", Ratio, 1, 0},
	{"%", Ratio, 0.01, 0},
	{"V", Ratio, 0.1, 0},
	{"rpm", Rotation, 1, 0},
	{"W", Power, 1, 0},
	{"kW", Power, 1000, 0},
	{"hp", Power, horsepower, 0},
	{"J", Energy, 1, 0},
	{"Wh", Energy, 3600, 0},
	{"kWh", Energy, 3.6e6, 0},
	{"s", Time, 1, 0},
	{"ms", Time, 1e-3, 0},
	{"min", Time, 60, 0},
	{"h", Time, 3600, 0},
	{"d", Time, 86400, 0},
	{"C", Temperature, 1, 0},
	{"F", Temperature, 5.0 / 9, -160.0 / 9},
	{"K", Temperature, 1, -273.15},
	{"m", Length, 1, 0},
	{"ft", Length, foot, 0},
	{"m2", Area, 1, 0},
	{"ft2", Area, foot * foot, 0},
	{"kg/m3", Density, 1, 0},
	{"lb/ft3", Density, pound / (foot * foot * foot), 0},
}

// Find returns the unit of that exact name.
func Find(name string) (Unit, bool) {
	for _, u := range table {
		if u.Name == name {
			return u, true
		}
	}
	return Unit{}, false
}

// Names lists the units of a dimension, its base unit first. Plain has none.
func Names(d Dimension) []string {
	var names []string
	for _, u := range table {
		if u.Dimension == d {
			names = append(names, u.Name)
		}
	}
	return names
}
