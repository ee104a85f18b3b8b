package turnover

import (
	"encoding/json"
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

const objectsHead = `
[fleet]
name = "x"
units = "metric"
[[buildings]]
id = "b"
name = "B"
[[gateways]]
id = "g"
building = "b"
url = "bacnet://127.0.0.1"
[pointmaps.m]
protocol = "bacnet"
[pointmaps.m.points]
pressure = {object = "analog-input,1", unit = "Pa"}
speed = {object = "analog-output,1", unit = "%"}
high_speed = {object = "binary-input,1"}
setpoint = {object = "analog-value,1", unit = "Pa"}
min_speed = {object = "analog-value,2", unit = "%"}
`

const forceObject = `force_speed = {object = "analog-output,1", unit = "%", priority = 10}
`

// riserLooks are those at a fan that runs well: what its objects hold, and what they
// say of it.
func riserLooks(f *config.Fan, change func(k int, p config.PlacedPoint, a *Answer)) []Look {
	looks := make([]Look, 30)
	for k := range looks {
		looks[k].Time = time.Unix(int64(k), 0)
		speed := 0.58 + 0.14*math.Sin(float64(k)/3)
		for _, p := range Points(f) {
			v := map[reading.Point]float64{reading.Pressure: -31.7 + 0.9*math.Sin(float64(7*k)), reading.Speed: speed, reading.Setpoint: -30,
				reading.MinSpeed: 0.2, reading.HighSpeed: 0}[p.Point]
			unit := map[reading.Point]bacnet.EngineeringUnits{reading.Pressure: 53, reading.Speed: 98, reading.Setpoint: 53, reading.MinSpeed: 98}[p.Point]
			if p.Point == reading.HighSpeed && speed >= 0.6 {
				v = 1
			}
			a := Answer{Words: p.Encoding.Encode(v), Object: &Says{Value: v, Known: true, Unit: unit, HasUnit: unit != 0}}
			if change != nil {
				change(k, p, &a)
			}
			looks[k].Answers = append(looks[k].Answers, a)
		}
	}
	return looks
}

// TestObjectsProven plants mistakes of a BACnet commissioning, and wants each named at
// its point and nothing else to fail.
func TestObjectsProven(t *testing.T) {
	f := fleet(t, objectsHead+fleetFan("ef1", 1201, ""))
	at := func(point reading.Point, do func(k int, a *Answer)) func(int, config.PlacedPoint, *Answer) {
		return func(k int, p config.PlacedPoint, a *Answer) {
			if p.Point == point {
				do(k, a)
			}
		}
	}
	pa := f.Fans[0].Points[0].Encoding
	refused := func(class, code uint32) *reading.Failure {
		return bacnet.Failure(&bacnet.RemoteError{Class: class, Code: code})
	}
	for _, c := range []struct {
		what   string
		change func(int, config.PlacedPoint, *Answer)
		point  reading.Point // that fails
		says   string
	}{
		{what: "nothing is wrong"},
		{what: "an alarm says nothing against a value", change: at(reading.Pressure, func(_ int, a *Answer) { a.Object.Flags.InAlarm = true })},
		{what: "no unit is stated", change: at(reading.Pressure, func(_ int, a *Answer) { a.Object.Unit = bacnet.NoUnits })},
		{what: "one look is flagged", change: at(reading.Pressure, func(k int, a *Answer) { a.Object.Flags.Fault = k == 7 })},
		{what: "an unreliable sensor", change: at(reading.Pressure, func(_ int, a *Answer) { a.Object.Flags.Fault, a.Object.Reliability = true, 1 }),
			point: reading.Pressure, says: "its reliability is: no sensor"},
		{what: "a fault", change: at(reading.Pressure, func(_ int, a *Answer) { a.Object.Flags.Fault = true }), point: reading.Pressure, says: "its status flags say fault"},
		{what: "out of service", change: at(reading.HighSpeed, func(_ int, a *Answer) { a.Object.Flags.OutOfService = true }),
			point: reading.HighSpeed, says: "put the object back into service"},
		{what: "overridden", change: at(reading.Setpoint, func(_ int, a *Answer) { a.Object.Flags.Overridden = true }), point: reading.Setpoint, says: "take the override away"},
		{what: "a wrong unit", change: at(reading.Pressure, func(k int, a *Answer) {
			a.Words = pa.Encode((-31.7 + 0.9*math.Sin(float64(7*k))) / 249.08891)
			a.Object.Unit = 58
		}), point: reading.Pressure, says: `states inH2O, and the point map reads it as Pa; write unit = "inH2O" and scale = 1`},
		{what: "a wrong unit, and what it should be", change: at(reading.Pressure, func(k int, a *Answer) {
			a.Words = pa.Encode((-31.7 + 0.9*math.Sin(float64(7*k))) / 249.08891)
			a.Object.Unit = 58
		}), point: reading.Pressure, says: "in inH2O this is -3"},
		{what: "an object of another instance", change: at(reading.MinSpeed, func(_ int, a *Answer) { a.Before, a.Words = a.Words, pa.Encode(100) }),
			point: reading.MinSpeed, says: "one instance lower this is 20 %"},
		{what: "an inverted contact", change: at(reading.HighSpeed, func(_ int, a *Answer) { a.Words = []uint16{1 - a.Words[0]} }), point: reading.HighSpeed, says: "inverted it fits"},
		{what: "no such object", change: at(reading.Pressure, func(_ int, a *Answer) { *a = Answer{Failure: refused(1, 31)} }),
			point: reading.Pressure, says: "device 1201 has no object analog-input,1"},
		{what: "no such property", change: at(reading.Pressure, func(_ int, a *Answer) { *a = Answer{Failure: refused(2, 32)} }), point: reading.Pressure, says: "has no such property"},
		{what: "silence", change: at(reading.Pressure, func(_ int, a *Answer) { *a = Answer{Failure: bacnet.Failure(bacnet.ErrTimeout)} }),
			point: reading.Pressure, says: "is 1201 the right device instance"},
	} {
		looks := map[reading.FanID][]Look{"ef1": riserLooks(f.Fans[0], c.change)}
		proven := Prove(f, f.Fans, looks)[0]
		for _, p := range proven.Proofs {
			failed := p.Verdict == Fail
			switch {
			case failed != (c.says != "" && p.Place.Point == c.point):
				t.Errorf("%s: %s %s: %s", c.what, p.Place.Point, p.Verdict, p.Reason)
			case failed && !strings.Contains(p.Reason, c.says):
				t.Errorf("%s: %q does not say %q", c.what, p.Reason, c.says)
			}
		}
	}
}

// The factors are those of CHECK-VALUES A10 and B1: hPa is 133, in. of water 58.
func TestUnitAgrees(t *testing.T) {
	for _, c := range []struct {
		point string // of the map
		unit  bacnet.EngineeringUnits
		want  bool
	}{
		{`unit = "Pa"`, 53, true},
		{`unit = "Pa"`, 133, false},
		{`unit = "Pa", scale = 100`, 133, true},
		{`unit = "mbar"`, 133, true},
		{`unit = "Pa", scale = 249`, 58, true}, // within 1 %
		{`unit = "Pa", scale = 245`, 58, false},
		{`unit = "Pa", scale = -1`, 53, true}, // the sign is another matter
		{`unit = "Pa"`, 98, false},            // percent
		{`unit = "Pa"`, bacnet.NoUnits, true},
		{`unit = "Pa"`, 4711, true}, // nobody knows it
		{`unit = "Pa", device_unit = "inH2O"`, 58, true},
		{`unit = "Pa", device_unit = "inH2O"`, 54, false},
	} {
		text := strings.Replace(objectsHead, `"analog-input,1", unit = "Pa"`, `"analog-input,1", `+c.point, 1)
		p, _ := fleet(t, text+fleetFan("ef1", 1, "")).Fans[0].Placed(reading.Pressure)
		if got := UnitAgrees(p, &Says{Unit: c.unit, HasUnit: true}); got != c.want {
			t.Errorf("%s against unit %s: %v", c.point, c.unit, got)
		}
	}
	p, _ := fleet(t, objectsHead+fleetFan("ef1", 1, "")).Fans[0].Placed(reading.Pressure)
	if v, q := Worth(p, &Answer{Words: p.Encoding.Encode(-30), Object: &Says{Unit: 58, HasUnit: true}}); q != reading.OtherUnit || v != -30 {
		t.Errorf("%v, %s", v, q)
	}
}

func TestSaysOfResults(t *testing.T) {
	var s Says
	for property, v := range map[bacnet.PropertyID]bacnet.Value{
		bacnet.PresentValue: bacnet.RealValue(-45.5), bacnet.StatusFlagsOf: bacnet.FlagsValue(bacnet.StatusFlags{InAlarm: true, OutOfService: true}),
		bacnet.ReliabilityOf: bacnet.EnumeratedValue(0), bacnet.UnitsOf: bacnet.EnumeratedValue(53), bacnet.PolarityOf: bacnet.EnumeratedValue(1)} {
		s.Note(bacnet.Result{Reference: bacnet.Reference{Property: property}, Values: []bacnet.Value{v}})
	}
	s.Note(bacnet.Result{Reference: bacnet.Reference{Property: bacnet.UnitsOf}, Err: errors.New("unknown property")})
	if s.Value != -45.5 || s.Type != bacnet.Real || s.Unit != 53 || s.Polarity != bacnet.Reverse || s.State() != "in alarm, out of service" || s.Quality() != reading.OutOfService {
		t.Errorf("%+v, %s", s, s.State())
	}
	var next Says
	if next.Keep(&s); next.Unit != 53 || next.Polarity != bacnet.Reverse || next.Quality() != reading.Good || next.State() != "no flags" {
		t.Errorf("%+v", next)
	}
}

// A record shows a BACnet point by its object, and what that said of its value.
func TestRecordOfObjects(t *testing.T) {
	f := fleet(t, objectsHead+fleetFan("ef1", 1201, "base = 20"))
	looks := riserLooks(f.Fans[0], func(_ int, p config.PlacedPoint, a *Answer) {
		if p.Point == reading.HighSpeed {
			a.Object.Polarity, a.Object.HasPolarity = bacnet.Reverse, true
		}
		a.Object.Type = bacnet.Real
		a.Object.Flags.InAlarm = p.Point == reading.Pressure
	})
	proven := Prove(f, f.Fans, map[reading.FanID][]Look{"ef1": looks})
	r := New(f, &proven[0], Made{Program: "fanwarden test"})
	if p := r.Points[0]; p.Object == nil || !reflect.DeepEqual(*p.Object, Said{Object: "analog-input,21", Flags: "in alarm", Unit: "Pa"}) || p.Table != "" || p.Address != nil ||
		p.Register != "" || p.Order != "" || p.Type != "real" || p.Unit != 1201 {
		t.Errorf("%+v, %+v", p, p.Object)
	}
	var table strings.Builder
	if err := WriteCSV(&table, r); err != nil {
		t.Fatal(err)
	}
	sheet := sheetOf(t, r)
	if !strings.Contains(table.String(), ",pressure,,,,\"analog-input,21\",1201,real,") {
		t.Error(table.String())
	}
	for _, want := range []string{`analog-input,21<br><span class="soft">device 1201</span><br><span class="soft">in alarm, in Pa</span>`, "polarity reverse"} {
		if !strings.Contains(sheet, want) {
			t.Errorf("the sheet has no %s", want)
		}
	}
	data, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	if again, err := ReadRecord(data); err != nil || again.Points[0].Object.Object != "analog-input,21" {
		t.Errorf("%v", err)
	}
}
