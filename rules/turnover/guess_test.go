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

// layout is how an invented controller keeps its values.
type layout struct {
	name  string
	block string // the points, as a fleet file would have them
	more  string // keys of the fan
	turn  float64
}

var layouts = []layout{
	{name: "tenths of a pascal", block: point("pressure", "input", 0, "int16", "ABCD", "0.1", "Pa") + point("speed", "input", 1, "uint16", "ABCD", "0.1", "%") +
		point("setpoint", "holding", 10, "int16", "ABCD", "0.1", "Pa") + contact("high_speed", "discrete", 0, -1) + point("min_speed", "holding", 12, "uint16", "ABCD", "0.1", "%") + point("run_on", "holding", 13, "uint16", "ABCD", "1", "s")},
	{name: "thousandths of an inch", block: point("pressure", "holding", 7, "int16", "ABCD", "0.001", "inH2O") + point("speed", "holding", 9, "uint16", "ABCD", "1", "%") +
		point("setpoint", "holding", 20, "int16", "ABCD", "0.001", "inH2O") + contact("high_speed", "input", 3, 4)},
	{name: "floats ABCD", block: floats("ABCD", "Pa", "%")},
	{name: "floats CDAB", block: floats("CDAB", "inH2O", "%")},
	{name: "floats BADC", block: floats("BADC", "Pa", "ratio")},
	{name: "floats DCBA", block: floats("DCBA", "Pa", "V")},
	{name: "0-10 V in mV", block: point("pressure", "input", 4, "int16", "ABCD", "0.1", "Pa") + point("speed", "input", 5, "uint16", "ABCD", "0.001", "V") + contact("high_speed", "coil", 2, -1)},
	{name: "whole pascals", block: point("pressure", "input", 4, "int16", "ABCD", "1", "Pa") + point("speed", "input", 5, "uint16", "ABCD", "0.1", "%"), turn: 4},
	{name: "two registers", block: point("pressure", "input", 2, "int32", "CDAB", "0.01", "Pa") + point("speed", "input", 6, "uint16", "ABCD", "0.01", "%")},
	{name: "discharge", block: point("pressure", "input", 0, "int16", "ABCD", "0.1", "Pa") + point("speed", "input", 1, "uint16", "ABCD", "0.1", "%") + contact("high_speed", "holding", 3, 7), turn: -1},
}

func floats(order, pressure, speed string) string {
	return point("pressure", "input", 0, "float32", order, "1", pressure) + point("speed", "input", 2, "float32", order, "1", speed) +
		point("setpoint", "input", 4, "float32", order, "1", pressure) + contact("high_speed", "input", 6, 3)
}

func point(name, table string, address int, typ, order, scale, unit string) string {
	return fmt.Sprintf("[pointmaps.m.points.%s]\ntable = %q\naddress = %d\ntype = %q\norder = %q\nscale = %s\nunit = %q\n", name, table, address, typ, order, scale, unit)
}

func contact(name, table string, address, bit int) string {
	text := fmt.Sprintf("[pointmaps.m.points.%s]\ntable = %q\naddress = %d\n", name, table, address)
	if bit >= 0 {
		text += fmt.Sprintf("bit = %d\n", bit)
	}
	return text
}

// text is the fleet file of a layout: its fan holds -29.5 Pa, or what that is turned
// into, which no other setting reads like.
func (l layout) text(block string) string {
	fan := fleetFan("ef1", 1, l.more)
	if l.turn != 0 {
		fan = strings.Replace(fan, `"-30 Pa"`, fmt.Sprintf(`"%v Pa"`, -29.5*l.turn), 1)
		if l.turn < 0 {
			fan = strings.Replace(fan, `"suction"`, `"discharge"`, 1)
		}
	} else {
		fan = strings.Replace(fan, `"-30 Pa"`, `"-29.5 Pa"`, 1)
	}
	return strings.TrimSuffix(fleetHead, "[pointmaps.m]\nprotocol = \"modbus\"\n") + block + fan
}

// survey lets a fan run for half a minute, and reads 24 addresses of each table.
func survey(fan *config.Fan, seed uint64) *Survey {
	random := rand.New(rand.NewPCG(seed, 1))
	s := &Survey{Held: make(map[Cell][]int)}
	speed, phase := 0.5, random.Float64()*6
	for k := range 31 {
		demand := 8 * math.Sin(float64(k)/5+phase) // of the pressure, toward zero
		speed += 0.007 * demand
		speed = max(0.3, min(0.9, speed))
		sign := math.Copysign(1, fan.Setpoint)
		values := map[reading.Point]float64{
			reading.Pressure: fan.Setpoint - sign*(0.3*demand+0.5*random.NormFloat64()), reading.Speed: speed,
			reading.Setpoint: fan.Setpoint, reading.MinSpeed: fan.MinSpeed, reading.RunOn: fan.RunOn.Seconds(),
		}
		if speed >= fan.HighSpeedAt {
			values[reading.HighSpeed] = 1
		}
		words := make(map[Cell]uint16)
		for _, p := range fan.Points {
			for i, w := range p.Encoding.Encode(values[p.Point]) {
				if i < p.Words() {
					words[Cell{p.Table, p.Address + i}] |= w
				}
			}
		}
		words[Cell{decode.Holding, 23}] = 4711
		words[Cell{decode.Input, 23}] = uint16(1000 + 2*k)
		for _, table := range []decode.Table{decode.Coil, decode.Discrete, decode.Holding, decode.Input} {
			for a := range 24 {
				c := Cell{table, a}
				s.Held[c] = append(s.Held[c], int(words[c]))
			}
		}
		s.Times = append(s.Times, began.Add(time.Duration(k)*time.Second))
	}
	return s
}

// TestGuessesEveryLayout: of each layout the controlled value and the speed are
// found where they are; the words that were read agree with it; the block is one
// that a fleet file takes, and its points prove well by it.
func TestGuessesEveryLayout(t *testing.T) {
	for _, l := range layouts {
		for seed := range uint64(6) {
			t.Run(fmt.Sprintf("%s %d", l.name, seed), func(t *testing.T) {
				truth := fleet(t, l.text("[pointmaps.m]\n"+l.block)).Fans[0]
				s := survey(truth, seed)
				p := Likely(s, truth, units.Metric)
				block := p.Block("m")
				if !p.Whole() {
					t.Fatalf("not found:\n%s", block)
				}
				for _, f := range p.Found {
					right, has := truth.Placed(f.Place.Point)
					if !has {
						t.Errorf("%s is invented:\n%s", f.Place.Point, block)
						continue
					}
					if !agrees(s, f, right) {
						t.Errorf("%s is %+v, want %+v:\n%s", f.Place.Point, f.Place, right, block)
					}
				}
				if _, has := truth.Placed(reading.HighSpeed); has && !finds(p, reading.HighSpeed) && crossed(s, truth) {
					t.Errorf("the contact closed and opened, and was not found:\n%s", block)
				}
				guessed := fleet(t, l.text(block))
				fan := guessed.Fans[0]
				for _, proof := range Prove(guessed, guessed.Fans, map[reading.FanID][]Look{fan.ID: s.Looks(fan)})[0].Proofs {
					if proof.Verdict == Fail {
						t.Errorf("%s: %s", proof.Place.Point, proof.Reason)
					}
				}
			})
		}
	}
}

// agrees reports whether a find, or one that is said to fit as well, reads what the
// true place does.
func agrees(s *Survey, f Found, right config.PlacedPoint) bool {
	want := (&guessing{survey: s}).values(right)
	for _, one := range append([]Guess{f.Guess}, f.Equal...) {
		same := true
		for k, v := range one.values {
			same = same && math.Abs(v-want[k]) <= 1e-6*math.Abs(want[k])+1e-9
		}
		if same {
			return true
		}
	}
	return false
}

func finds(p *Proposal, point reading.Point) bool {
	for _, f := range p.Found {
		if f.Place.Point == point {
			return true
		}
	}
	return false
}

// crossed reports whether the contact was on either side for three looks.
func crossed(s *Survey, fan *config.Fan) bool {
	place, _ := fan.Placed(reading.HighSpeed)
	values := (&guessing{survey: s}).values(place)
	closed := share(values, func(v float64) bool { return v != 0 }) * float64(len(values))
	return closed > 4 && closed < float64(len(values))-4
}

// Without a fan the words do not say what a count of the pressure is worth: the true
// scale is among those that are listed as fitting alike.
func TestGuessesWithoutAFan(t *testing.T) {
	for _, l := range layouts[:4] {
		truth := fleet(t, l.text("[pointmaps.m]\n"+l.block)).Fans[0]
		s := survey(truth, 3)
		p := Likely(s, nil, units.Imperial)
		block := p.Block("m")
		if !p.Whole() {
			t.Errorf("%s: not found:\n%s", l.name, block)
			continue
		}
		for _, f := range p.Found[:2] {
			if right, _ := truth.Placed(f.Place.Point); !agrees(s, f, right) {
				t.Errorf("%s: %s:\n%s", l.name, f.Place.Point, block)
			}
		}
		if !strings.Contains(block, "Without a fan") {
			t.Errorf("%s: it does not say what it cannot know:\n%s", l.name, block)
		}
		fleet(t, l.text(block))
	}
}

// What fits twice is said twice.
func TestGuessesListBothThatFitAlike(t *testing.T) {
	l := layouts[0]
	truth := fleet(t, l.text("[pointmaps.m]\n"+l.block)).Fans[0]
	s := survey(truth, 2)
	s.Held[Cell{decode.Input, 5}] = s.Held[Cell{decode.Input, 1}] // a speed that is fed back
	p := Likely(s, truth, units.Metric)
	if block := p.Block("m"); !p.Whole() || len(p.Found[1].Equal) != 1 || !strings.Contains(block, "NOT DECIDED: fits as well in input 5, uint16, 0.1 % a count") {
		t.Errorf("%s", block)
	}
	for c, held := range s.Held { // the settings lie twice, too
		if c.Table == decode.Holding && c.Address == 13 {
			s.Held[Cell{decode.Holding, 17}] = held
		}
	}
	p = Likely(s, truth, units.Metric)
	if finds(p, reading.RunOn) || !strings.Contains(p.Block("m"), "run_on may lie in holding 13 (1 s a count) or holding 17 (1 s a count)") {
		t.Errorf("%s", p.Block("m"))
	}
}

// Nothing is made of words that say nothing.
func TestGuessesNothingOfNothing(t *testing.T) {
	truth := fleet(t, layouts[0].text("[pointmaps.m]\n"+layouts[0].block)).Fans[0]
	fill := func(word func(a, k int) int) *Survey {
		s := &Survey{Held: make(map[Cell][]int)}
		for k := range 31 {
			s.Times = append(s.Times, began.Add(time.Duration(k)*time.Second))
			for a := range 40 {
				c := Cell{decode.Input, a}
				s.Held[c] = append(s.Held[c], word(a, k))
			}
		}
		return s
	}
	random := rand.New(rand.NewPCG(1, 1))
	for says, s := range map[string]*Survey{
		"No register answered":        fill(func(int, int) int { return -1 }),
		"No register moved":           fill(func(a, _ int) int { return 37 * a % 19 }),
		"No register reads and moves": fill(func(int, int) int { return random.IntN(1 << 16) }),
		"like what a fan controls": fill(func(a, k int) int {
			return map[int]int{0: 550 + int(40*math.Sin(float64(k)/5))}[a]
		}),
	} {
		p := Likely(s, truth, units.Metric)
		if block := p.Block("m"); p.Whole() || !strings.Contains(block, says) || strings.Contains(block, "\n[") {
			t.Errorf("want %q:\n%s", says, block)
		}
	}
}

// A contact that is open above its threshold is found, and turned.
func TestGuessesAContactThatIsTurned(t *testing.T) {
	l := layouts[0]
	l.block = strings.Replace(l.block, "address = 0\n[pointmaps.m.points.min_speed]", "address = 0\ninvert = true\n[pointmaps.m.points.min_speed]", 1)
	truth := fleet(t, l.text("[pointmaps.m]\n"+l.block)).Fans[0]
	for seed := range uint64(6) {
		s := survey(truth, seed)
		if p := Likely(s, truth, units.Metric); crossed(s, truth) && (!finds(p, reading.HighSpeed) || !strings.Contains(p.Block("m"), "invert = true")) {
			t.Errorf("%s", p.Block("m"))
		}
	}
}

func TestThreshold(t *testing.T) {
	speed := []float64{0.3, 0.4, 0.5, 0.6, 0.7, 0.7, 0.5, 0.4}
	for _, c := range []struct {
		bit    []float64
		edge   float64
		closes bool
	}{
		{[]float64{0, 0, 0, 1, 1, 1, 0, 0}, 0.6, true},
		{[]float64{1, 1, 1, 0, 0, 0, 1, 1}, 0.55, false},
		{[]float64{0, 1, 1, 0, 0, 1, 1, 0}, math.NaN(), false},
		{[]float64{0, 0, 0, 0, 0, 0, 0, 0}, math.NaN(), false},
	} {
		edge, closes := threshold(c.bit, speed)
		if math.IsNaN(edge) != math.IsNaN(c.edge) || math.Abs(edge-c.edge) > 0.06 || closes != c.closes {
			t.Errorf("%v: %v %v, want %v %v", c.bit, edge, closes, c.edge, c.closes)
		}
	}
}

// The ratio of von Neumann is 2 for noise and 0 for a line; half of it here.
func TestRoughness(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 1))
	noise, line := make([]float64, 1000), make([]float64, 1000)
	for k := range noise {
		noise[k], line[k] = random.NormFloat64(), float64(k)
	}
	if r := roughness(noise); math.Abs(r-1) > 0.1 {
		t.Errorf("noise: %v", r)
	}
	if r := roughness(line); r > 0.01 {
		t.Errorf("line: %v", r)
	}
	if r := roughness(make([]float64, 10)); !math.IsNaN(r) {
		t.Errorf("still: %v", r)
	}
	if r := correlation(line, line); math.Abs(r-1) > 1e-9 || correlation(line, make([]float64, 1000)) != 0 {
		t.Errorf("correlation %v", r)
	}
}
