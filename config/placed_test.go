package config

import (
	"fmt"
	"math"
	"path/filepath"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Velocity pressure in standard air of 0.075 lb/ft3: 1000, 2000 and 2500 fpm are
// 0.0623, 0.2494 and 0.3897 in. of water (V = 4005 sqrt(VP), common to fan
// engineering texts, computed from it; it agrees within 0.1 %).
func TestAirflowFromVelocityPressure(t *testing.T) {
	inch, _ := units.Find("inH2O")
	foot, _ := units.Find("ft")
	for _, c := range []struct{ vp, fpm float64 }{{0.0623, 1000}, {0.2494, 2000}, {0.3897, 2500}} {
		f := &Fan{ControlsAirflow: true, ProbeArea: 2, ProbeFactor: 0.5, AirDensity: defaultAirDensity}
		var r reading.Reading
		r.Set(reading.VelocityPressure, inch.Base(c.vp))
		f.Complete(&r)
		want := foot.Base(c.fpm) / 60 // m/s through 2 m2 at a factor of a half
		if got, ok := r.Get(reading.Airflow); !ok || math.Abs(got/want-1) > 1e-3 {
			t.Errorf("%v in.: %v m3/s, want %v", c.vp, got, want)
		}
	}
}

func TestAirflowThatDoesNotFollow(t *testing.T) {
	flow := &Fan{ControlsAirflow: true, ProbeArea: 1, ProbeFactor: 1, AirDensity: defaultAirDensity}
	for name, c := range map[string]struct {
		fan  *Fan
		fill func(*reading.Reading)
		want reading.Quality
	}{
		"below zero":      {flow, func(r *reading.Reading) { r.Set(reading.VelocityPressure, -2.1) }, reading.Marked},
		"still air":       {flow, func(r *reading.Reading) { r.Set(reading.VelocityPressure, -1.9) }, reading.Good},
		"not answered":    {flow, func(r *reading.Reading) { r.Mark(reading.VelocityPressure, reading.Unanswered) }, reading.Unanswered},
		"not mapped":      {flow, func(*reading.Reading) {}, reading.NotMapped},
		"a pressure fan":  {&Fan{}, func(r *reading.Reading) { r.Set(reading.VelocityPressure, 1) }, reading.NotMapped},
		"a flow was read": {flow, func(r *reading.Reading) { r.Set(reading.VelocityPressure, 1); r.Mark(reading.Airflow, reading.Stale) }, reading.Stale},
	} {
		var r reading.Reading
		c.fill(&r)
		c.fan.Complete(&r)
		if got := r.Quality(reading.Airflow); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

func TestPlacedPoints(t *testing.T) {
	f := &Fan{Points: []PlacedPoint{{Point: reading.Pressure, Address: 7, Encoding: decode.Encoding{Type: decode.Int32}},
		{Point: reading.HighSpeed, Table: decode.Coil}}}
	f.Points[0].Table = decode.Input
	p, ok := f.Placed(reading.Pressure)
	if !ok || p.Address != 7 || p.Words() != 2 || f.Points[1].Words() != 1 {
		t.Errorf("%+v", p)
	}
	if _, ok := f.Placed(reading.Speed); ok {
		t.Error("a point that the fan has not")
	}
	if f.Controlled() != reading.Pressure || (&Fan{ControlsAirflow: true}).Controlled() != reading.Airflow {
		t.Error("controlled value")
	}
}

func TestSpeedOfTheSerialSide(t *testing.T) {
	for _, c := range []struct {
		g    Gateway
		want int
	}{
		{Gateway{Scheme: "rtu", Baud: 9600}, 9600},
		{Gateway{Scheme: "tcp", LineBaud: 38400}, 38400},
		{Gateway{Scheme: "tcp"}, 0},
	} {
		if got := c.g.SerialBaud(); got != c.want {
			t.Errorf("%+v: %d", c.g, got)
		}
	}
}

func TestFaultIsPrintedWithPlaceAndRemedy(t *testing.T) {
	f := Fault{File: "fleet.toml", Line: 12, What: "the fan has no gateway", Remedy: "name one"}
	if got, want := f.String(), "fleet.toml:12: the fan has no gateway; name one"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// A setting is given by the fleet file, or by a cell of the roster; what holds
// by default is not.
func TestWhatIsGiven(t *testing.T) {
	files := map[string]string{"fans.csv": "id,gateway,unit,pointmap,probe,setpoint,min_speed,run_on,idle_below\n" +
		"a,roof,1,m,suction,-30 Pa,25 %,,\n" + "b,roof,2,m,suction,-30 Pa,,60s,20 %\n"}
	fleet, faults := Parse("fleet.toml", []byte(`roster = "fans.csv"
[pointmaps.m]
points.pressure = {table = "input", address = 0, type = "int16", unit = "Pa", shared = false}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
[[buildings]]
id = "alder"
[[gateways]]
id = "roof"
building = "alder"
url = "tcp://192.0.2.20"
`), func(name string) ([]byte, error) { return []byte(files[filepath.Base(name)]), nil })
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	a, b := fleet.Fans[0], fleet.Fans[1]
	if v, given := a.Given(reading.MinSpeed); !given || v != 0.25 {
		t.Errorf("min_speed of a: %v %v", v, given)
	}
	if v, given := b.Given(reading.RunOn); !given || v != 60 {
		t.Errorf("run_on of b: %v %v", v, given)
	}
	for _, p := range []reading.Point{reading.RunOn, reading.MaxSpeed, reading.Pressure, reading.ForceSpeed} {
		if v, given := a.Given(p); given {
			t.Errorf("%s of a is given as %v", p, v)
		}
	}
}

// Where manuals put an address; a fleet file that says so means the same place.
func TestRegistersAsManualsNumberThem(t *testing.T) {
	for _, c := range []struct {
		table   decode.Table
		address int
		want    string
	}{{decode.Coil, 0, "00001"}, {decode.Discrete, 3, "10004"}, {decode.Input, 0, "30001"}, {decode.Holding, 0, "40001"},
		{decode.Holding, 9998, "49999"}, {decode.Holding, 9999, "410000"}, {decode.Coil, 9999, "010000"}, {decode.Input, 65535, "365536"}} {
		p := PlacedPoint{Table: c.table, Address: c.address}
		if got := p.Register(); got != c.want {
			t.Errorf("%s %d: %s, want %s", c.table, c.address, got, c.want)
		}
		text := fmt.Sprintf("register = %q\n", c.want)
		if !c.table.Bits() {
			text += "type = \"uint16\"\n"
		}
		if m, faults := onePoint("running", text); len(faults) > 0 || m.Table != c.table || m.Address != c.address {
			t.Errorf("%s is read as %s %d, %v", c.want, m.Table, m.Address, faults)
		}
	}
}

func TestWordsOfAPoint(t *testing.T) {
	long := decode.Encoding{Type: decode.Int32}
	f := &Fan{Points: []PlacedPoint{{Point: reading.Pressure, Table: decode.Input}, {Point: reading.ForceOn}, {Point: reading.Energy, Table: decode.Input, Encoding: long},
		{Point: reading.HighSpeed, Table: decode.Coil}}}
	words := []uint16{1, 2, 3, 4}
	for _, c := range []struct {
		p     reading.Point
		words []uint16
		want  string
	}{{reading.Pressure, words, "[1]"}, {reading.Energy, words, "[2 3]"}, {reading.HighSpeed, words, "[4]"}, {reading.ForceOn, words, "[]"},
		{reading.RPM, words, "[]"}, {reading.Pressure, nil, "[]"}, {reading.Energy, words[:2], "[]"}} {
		if got := fmt.Sprint(f.Raw(c.words, c.p)); got != c.want {
			t.Errorf("%s of %v: %s, want %s", c.p, c.words, got, c.want)
		}
	}
}
