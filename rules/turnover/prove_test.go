package turnover

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// The controllers of these tests keep their values so; a point map is right if
// it says the same.
const rightMap = `
[pointmaps.m.points.pressure]
table = "input"
address = 10
type = "int16"
scale = 0.1
unit = "Pa"
[pointmaps.m.points.speed]
table = "input"
address = 12
type = "uint16"
scale = 0.1
unit = "%"
[pointmaps.m.points.high_speed]
table = "discrete"
address = 3
[pointmaps.m.points.setpoint]
table = "holding"
address = 20
type = "float32"
order = "ABCD"
scale = 1
unit = "Pa"
[pointmaps.m.points.min_speed]
table = "holding"
address = 30
type = "uint16"
scale = 1
unit = "%"
[pointmaps.m.points.run_on]
table = "holding"
address = 31
type = "uint16"
scale = 1
unit = "s"
`

const fleetHead = `
[fleet]
name = "x"
[[buildings]]
id = "b"
name = "B"
[[gateways]]
id = "g"
building = "b"
url = "tcp://127.0.0.1:1"
[pointmaps.m]
protocol = "modbus"
`

func fleetFan(id string, unit int, more string) string {
	return fmt.Sprintf("[[fans]]\nid = %q\ngateway = \"g\"\nunit = %d\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\nmin_speed = \"20 %%\"\nhigh_speed_at = \"60 %%\"\nidle_below = \"20 %%\"\nrestart_rise = \"20 Pa\"\nrun_on = \"90s\"\n%s\n", id, unit, more)
}

func fleet(t testing.TB, text string) *config.Fleet {
	t.Helper()
	f, faults := config.Parse("fleet.toml", []byte(text), nil)
	for _, one := range faults {
		if f == nil || !strings.Contains(one.String(), "never goes idle") {
			t.Log(one)
		}
	}
	if f == nil {
		t.Fatal("the fleet file is not valid")
	}
	return f
}

// controller is one that runs well, between 45 and 65 %.
type controller struct {
	random    *rand.Rand
	pressure  float64
	setpoint  float64
	minSpeed  uint16
	closesAt  float64
	frozen    bool
	dead      map[int]bool // input addresses that always hold 0
	refuses   map[int]bool
	contactNC bool
	runs      func(k int) float64 // its speed; nil: between 45 and 65 %
	fromMin   bool                // its speed is counted from the lowest one
	k         int
	input     map[int]uint16
	holding   map[int]uint16
	contact   uint16
}

func newController(seed uint64) *controller {
	return &controller{random: rand.New(rand.NewPCG(seed, 7)), pressure: -30, setpoint: -30, minSpeed: 20, closesAt: 0.6}
}

// step lets a second pass.
func (c *controller) step() {
	if c.frozen && c.input != nil {
		return
	}
	c.k++
	speed := 0.55 + 0.1*math.Sin(float64(c.k)/5) + 0.002*c.random.NormFloat64()
	if c.runs != nil {
		speed = c.runs(c.k)
	}
	shown := speed
	if c.fromMin {
		shown = max(0, (speed-0.2)/0.8)
	}
	p := c.pressure + 0.4*c.random.NormFloat64()
	c.input = map[int]uint16{10: uint16(int16(math.Round(p * 10))), 12: uint16(math.Round(shown * 1000)), 13: 4711}
	c.holding = map[int]uint16{30: c.minSpeed, 31: 90}
	words := decode.Encoding{Type: decode.Float32, Scale: 1, Bit: decode.NoBit}.Encode(c.setpoint)
	c.holding[20], c.holding[21] = words[0], words[1]
	c.contact = 0
	if (speed >= c.closesAt) != c.contactNC {
		c.contact = 1
	}
	for at := range c.dead {
		c.input[at] = 0
	}
}

func (c *controller) read(table decode.Table, address, count int) []uint16 {
	words := make([]uint16, count)
	for i := range words {
		if address+i < 0 || c.refuses[address+i] {
			return nil
		}
		switch table {
		case decode.Input:
			words[i] = c.input[address+i]
		case decode.Holding:
			words[i] = c.holding[address+i]
		case decode.Discrete:
			if address+i == 3 {
				words[i] = c.contact
			}
		}
	}
	return words
}

// look reads a fan of the fleet file from a controller.
func (c *controller) look(f *config.Fan, at time.Time) Look {
	l := Look{Time: at}
	for _, p := range Points(f) {
		a := Answer{Words: c.read(p.Table, p.Address, p.Words()), Before: c.read(p.Table, p.Address-1, 1), After: c.read(p.Table, p.Address+p.Words(), 2)}
		if a.Words == nil {
			a.Failure = &reading.Failure{Outcome: reading.Exception, Code: 2, Err: fmt.Errorf("illegal data address")}
		}
		l.Answers = append(l.Answers, a)
	}
	return l
}

var began = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

// watch looks at every fan for half a minute; controllers holds one for each fan,
// by unit.
func watch(fleet *config.Fleet, controllers map[int]*controller) []Fan {
	looks := make(map[reading.FanID][]Look)
	for k := range 31 {
		for _, c := range controllers {
			c.step()
		}
		for _, f := range fleet.Fans {
			if c := controllers[f.Unit]; c != nil {
				looks[f.ID] = append(looks[f.ID], c.look(f, began.Add(time.Duration(k)*time.Second)))
			} else {
				looks[f.ID] = append(looks[f.ID], silent(f, began.Add(time.Duration(k)*time.Second)))
			}
		}
	}
	return Prove(fleet, fleet.Fans, looks)
}

func silent(f *config.Fan, at time.Time) Look {
	l := Look{Time: at}
	for range Points(f) {
		l.Answers = append(l.Answers, Answer{Failure: &reading.Failure{Outcome: reading.Timeout, Err: fmt.Errorf("no answer within 1s")}})
	}
	return l
}

func tell(fans []Fan) string {
	var b strings.Builder
	for _, f := range fans {
		for _, p := range f.Proofs {
			fmt.Fprintf(&b, "%s %s %s %s\n", f.Fan.ID, p.Place.Point, p.Verdict, p.Reason)
		}
	}
	return b.String()
}

// TestRight proves a field without a mistake: nothing fails.
func TestRight(t *testing.T) {
	fans := watch(fleet(t, fleetHead+rightMap+fleetFan("ef1", 1, "")+fleetFan("ef2", 2, "")), map[int]*controller{1: newController(1), 2: newController(2)})
	for _, f := range fans {
		for _, p := range f.Proofs {
			if p.Verdict != Pass {
				t.Errorf("%s %s: %s %s", f.Fan.ID, p.Place.Point, p.Verdict, p.Reason)
			}
		}
	}
	t.Log("\n" + tell(fans))
}

// TestMistakes plants the mistakes that turnovers find, one by one, in the point
// map, the fleet file or the controller, and wants each named at its point.
func TestMistakes(t *testing.T) {
	point := func(old, new string) func(*scene) {
		return func(s *scene) { s.text = strings.Replace(s.text, old, new, 1) }
	}
	for _, c := range []struct {
		name  string
		plant func(s *scene)
		point reading.Point
		says  string // part of the reason
	}{
		{"swapped words", point(`order = "ABCD"`, `order = "CDAB"`), reading.Setpoint, "as ABCD this is -30.0 Pa"},
		{"lost sign", point(`type = "int16"`, `type = "uint16"`), reading.Pressure, " (0xFED"},
		{"scale of pressure off by ten", point("scale = 0.1\nunit = \"Pa\"", "scale = 0.01\nunit = \"Pa\""), reading.Pressure, "times ten this is -"},
		{"scale of speed off by ten", point("scale = 0.1\nunit = \"%\"", "scale = 0.01\nunit = \"%\""), reading.Speed, "times ten this is"},
		{"scale of speed off by ten upwards", point("scale = 0.1\nunit = \"%\"", "scale = 1\nunit = \"%\""), reading.Speed, "a tenth of it this is"},
		{"pressure off by one", point("address = 10", "address = 11"), reading.Pressure, "one address lower this is -29.9 Pa, and the value moves"},
		{"speed off by one", point("address = 12", "address = 13"), reading.Speed, "one address lower this is 54 %, and the value moves"},
		{"unit of measure", point(`unit = "Pa"`, `unit = "mmH2O"`), reading.Pressure, "in Pa this is -"},
		{"frozen gateway", func(s *scene) { s.one.frozen, s.two.frozen = true, true }, reading.Pressure, "repeat"},
		{"a unit that is not there", point("unit = 1", "unit = 9"), reading.Pressure, "is unit 9 the right one"},
		{"contact inverted", func(s *scene) { s.one.contactNC = true }, reading.HighSpeed, "inverted"},
		{"contact inverted in the map", point("address = 3\n", "address = 3\ninvert = true\n"), reading.HighSpeed, "inverted it fits"},
		{"threshold lower", func(s *scene) { s.one.closesAt = 0.48 }, reading.HighSpeed, "threshold is lower"},
		{"threshold higher", func(s *scene) {
			s.one.closesAt = 0.9
			s.text = strings.Replace(s.text, `high_speed_at = "60 %"`, `high_speed_at = "50 %"`, 1)
		}, reading.HighSpeed, "threshold is higher"},
		{"probe side wrong in the file", func(s *scene) { s.one.pressure, s.one.setpoint = 30, 30 }, reading.Pressure, `its probe is on the discharge side, and the fleet file says probe = "suction"`},
		{"and its setpoint", func(s *scene) { s.one.pressure, s.one.setpoint = 30, 30 }, reading.Setpoint, "the same with the other sign, as the pressure has it"},
		{"tubes swapped", func(s *scene) {
			s.one.pressure, s.one.runs = 180, func(int) float64 { return 1 }
		}, reading.Pressure, "it stands at its top speed with that, far past setpoint, so its controller reads the same: the tubes are swapped, or the probe's side is set wrong in the controller"},
		{"at its top and short of setpoint", func(s *scene) {
			s.one.pressure, s.one.runs = 12, func(int) float64 { return 1 }
		}, reading.Pressure, "the sign in the point map, the tubes or the probe's side is wrong. To tell: take both tubes off"},
		{"sign lost in the map", func(s *scene) { s.one.pressure = 30 }, reading.Pressure, "so its controller reads the other sign: the sign is lost or turned in the point map; with its sign turned this is -30.1 Pa"},
		{"sign lost or side wrong", func(s *scene) {
			s.one.pressure = 30
			a := strings.Index(s.text, "[pointmaps.m.points.setpoint]")
			s.text = s.text[:a] + s.text[strings.Index(s.text, "[pointmaps.m.points.min_speed]"):]
		}, reading.Pressure, "either the sign is lost in the point map, or the probe is on the discharge side"},
		{"sign at the lowest speed", func(s *scene) {
			s.one.pressure, s.one.runs = 30, func(int) float64 { return 0.2 }
		}, reading.Pressure, "take both tubes off, where it must read 0"},
		{"setpoint kept without its sign", func(s *scene) { s.one.setpoint = 30 }, reading.Setpoint, "with its sign turned this is -30.0 Pa"},
		{"setting changed", func(s *scene) { s.one.minSpeed = 30 }, reading.MinSpeed, "reads 30 %, and the fleet file says 20 %"},
		{"dead point", func(s *scene) { s.one.dead = map[int]bool{10: true} }, reading.Pressure, "did not move once in 30 s: the point is dead, or nothing is connected to the sensor"},
		{"dead speed", func(s *scene) { s.one.dead = map[int]bool{12: true} }, reading.Speed, "the high-speed contact turned meanwhile: the point is dead, or another one"},
		{"point that is refused", func(s *scene) { s.one.refuses = map[int]bool{12: true} }, reading.Speed, "the device has no such address"},
		{"duplicate unit", func(s *scene) { s.two = s.one }, reading.Speed, "together with ef2"},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := &scene{text: fleetHead + rightMap + fleetFan("ef1", 1, "") + fleetFan("ef2", 2, ""), one: newController(1), two: newController(2)}
			c.plant(s)
			controllers := map[int]*controller{1: s.one, 2: s.two}
			if s.one == s.two {
				controllers = map[int]*controller{1: s.one}
			}
			f := fleet(t, s.text)
			if s.one == s.two {
				controllers[2] = &controller{}
				looks := make(map[reading.FanID][]Look)
				for k := range 31 {
					s.one.step()
					for _, fan := range f.Fans {
						looks[fan.ID] = append(looks[fan.ID], s.one.look(fan, began.Add(time.Duration(k)*time.Second)))
					}
				}
				wanted(t, Prove(f, f.Fans, looks), c.point, c.says)
				return
			}
			wanted(t, watch(f, controllers), c.point, c.says)
		})
	}
}

type scene struct {
	text     string
	one, two *controller
}

func wanted(t *testing.T, fans []Fan, point reading.Point, says string) {
	t.Helper()
	for _, p := range fans[0].Proofs {
		if p.Place.Point == point && (p.Verdict != Fail || !strings.Contains(p.Reason, says)) {
			t.Errorf("%s %s: %q; want a failure that says %q", point, p.Verdict, p.Reason, says)
		}
	}
	t.Log("\n" + tell(fans))
}

// TestWayNames holds the check values of 32-bit orders and of signs.
// Values: 123.456 is 42F6E979 in IEEE 754; 65476 is -60 in 16 bits (computed).
func TestWayNames(t *testing.T) {
	pa, _ := units.Find("Pa")
	p := config.PlacedPoint{Table: decode.Input, Encoding: decode.Encoding{Type: decode.Float32, Order: decode.CDAB, Bit: decode.NoBit, Scale: 1, Unit: pa}}
	a := &Answer{Words: []uint16{0x42F6, 0xE979}}
	for _, w := range Others(p) {
		if v, good := w.Read(a); w.Says == "as ABCD" && (!good || math.Abs(v-123.456) > 1e-4) {
			t.Errorf("as ABCD: %v", v)
		}
	}
	p.Encoding.Type, p.Encoding.Order = decode.Uint16, decode.ABCD
	for _, w := range Others(p) {
		if v, _ := w.Read(&Answer{Words: []uint16{65476}}); w.Says == "signed (int16)" && v != -60 {
			t.Errorf("signed: %v", v)
		}
	}
}

// TestKindsInOrder: whoever shows some ways only goes by their kinds, and the
// commonest mistakes come first.
func TestKindsInOrder(t *testing.T) {
	f := fleet(t, fleetHead+rightMap+fleetFan("ef1", 1, ""))
	for _, p := range Points(f.Fans[0]) {
		before := Own
		for _, w := range Others(p) {
			switch {
			case w.Kind == Own || w.Says == "":
				t.Errorf("%s: %q is of kind %d", p.Point, w.Says, w.Kind)
			case w.Kind < before && !p.Point.Contact():
				t.Errorf("%s: %q comes too late", p.Point, w.Says)
			}
			before = w.Kind
		}
	}
}

func TestCanBe(t *testing.T) {
	for _, c := range []struct {
		point reading.Point
		value float64
		can   bool
	}{{reading.Pressure, -31, true}, {reading.Pressure, -6522, false}, {reading.Speed, 1, true}, {reading.Speed, -0.5, false},
		{reading.Speed, 1e-38, false}, {reading.Heartbeat, 4711, true}, {reading.Pressure, 0, true}} {
		if CanBe(c.point, c.value) != c.can {
			t.Errorf("%s %v: want %t", c.point, c.value, c.can)
		}
	}
}

// TestSpan proves whether a map shows the share of the whole signal or counts from
// the lowest speed on, and wants both readings named. (2 V of 10 V as the slowest:
// common practice of the trade, no source.)
func TestSpan(t *testing.T) {
	constant := func(v float64) func(int) float64 { return func(int) float64 { return v } }
	down := func(k int) float64 { return max(0.2, 0.5-0.02*float64(k)) } // stands at its lowest from 15 s on
	const never = "idle_below"
	for name, c := range map[string]struct {
		runs    func(int) float64
		fromMin bool
		never   bool // goes idle
		speed   Verdict
		says    string
		span    Verdict
		also    string
		contact string
	}{
		"whole signal":                   {down, false, false, Pass, "reads 20 % to 48 %, down to the lowest speed of 20 %", Pass, "at its lowest the fan reads 20 %, its share of the whole signal; a map that counts from the lowest speed would show 0 % there", ""},
		"from the lowest":                {down, true, true, Fail, "reads 0 %, below the lowest speed of 20 %, while the fan runs; if the map shows 0 % at the lowest speed, this is 20 % and the point wants scale = 0.08, offset = 20", Fail, "reads 0 % while the fan runs, and its lowest speed is 20 % of the signal", ""},
		"from the lowest, a little more": {constant(0.28), true, false, Fail, "reads 10 %, below the lowest speed of 20 %, while the fan runs, and does not move: the point may be dead; if the map shows 0 % at the lowest speed, this is 28 %", Fail, "reads 10 % while", ""},
		"stands or counts from there":    {constant(0.2), true, false, NotSeen, "either it stands still and draught holds that, or the map shows 0 % at the lowest speed, which is 20 % of the signal", NotSeen, "did not run", ""},
		"stands":                         {constant(0), false, false, NotSeen, "either it stands still", NotSeen, "did not run", ""},
		"was not so slow":                {nil, false, false, Pass, "its span is not proven", NotSeen, "which is to read 20 %, and not 0 %", ""},
		"was not so slow, from lowest":   {nil, true, false, Pass, "its span is not proven", NotSeen, "which is to read 20 %, and not 0 %", "it would fit if the speed's map showed 0 % at the lowest speed of 20 %"},
		"a start is no span":             {func(k int) float64 { return min(0.5, 0.02*float64(k)) }, false, false, Pass, "", NotSeen, "did not stand at its lowest speed", ""},
	} {
		t.Run(name, func(t *testing.T) {
			text := fleetFan("ef1", 1, "")
			if c.never {
				text = strings.Replace(text, never, "#"+never, 1)
				text = strings.Replace(text, "restart_rise", "#restart_rise", 1)
				text = strings.Replace(text, "run_on", "#run_on", 1)
			}
			one := newController(1)
			one.runs, one.fromMin = c.runs, c.fromMin
			f := watch(fleet(t, fleetHead+rightMap+text), map[int]*controller{1: one})[0]
			for _, p := range f.Proofs {
				if p.Place.Point == reading.Speed && (p.Verdict != c.speed || !strings.Contains(p.Reason, c.says)) {
					t.Errorf("%s %s; want %s %q", p.Verdict, p.Reason, c.speed, c.says)
				}
			}
			if s := f.Seen[len(f.Seen)-1]; s.Verdict != c.span || !strings.Contains(s.Reason, c.also) {
				t.Errorf("%s: %s %s; want %s %q", s.What, s.Verdict, s.Reason, c.span, c.also)
			}
			for _, p := range f.Proofs {
				if p.Place.Point == reading.HighSpeed && c.contact != "" && !strings.Contains(p.Reason, c.contact) {
					t.Errorf("%s %s; want %q", p.Verdict, p.Reason, c.contact)
				}
			}
			if f.Failed() != (c.speed == Fail || c.span == Fail || c.contact != "") {
				t.Errorf("failed is %t", f.Failed())
			}
		})
	}
}
