package poller_test

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// scripted fills the registers of its gateway by unit and address.
func scripted(g *config.Gateway, fan *config.Fan, words map[[2]int]uint16, silent ...int) func(t *testing.T) reading.Reading {
	return func(t *testing.T) reading.Reading {
		t.Helper()
		f := &fake{answer: silentUnits(g.Timeout, silent...), words: words}
		cycles, _ := watch(t, f, fleetOf(fan), 20*time.Second)
		return cycles[0].Readings[0]
	}
}

func inUnit(t *testing.T, p config.PlacedPoint, name string) config.PlacedPoint {
	t.Helper()
	unit, ok := units.Find(name)
	if !ok {
		t.Fatalf("no unit %q", name)
	}
	p.Encoding.Unit = unit
	return p
}

func TestMarkedValueMakesAReadingInvalid(t *testing.T) {
	for _, p := range []reading.Point{reading.Pressure, reading.Speed, reading.RPM} {
		g := newGateway("tcp", "")
		fan := newFan(g, 1, 0)
		fan.Points = append(fan.Points, word(reading.RPM, 1, 2))
		for i := range fan.Points {
			fan.Points[i].Encoding.Invalid = []uint32{0x8000}
		}
		placed, _ := fan.Placed(p)
		r := scripted(g, fan, map[[2]int]uint16{{1, 0}: 5, {1, 1}: 6, {1, 2}: 7, {1, placed.Address}: 0x8000})(t)
		want := reading.Invalid
		if p == reading.RPM { // a fan can be judged without it
			want = reading.OK
		}
		if r.Outcome != want || r.Quality(p) != reading.Marked {
			t.Errorf("%s marked: outcome %s, quality %s; want %s", p, r.Outcome, r.Quality(p), want)
		}
	}
}

func TestVelocityPressureBecomesAirflow(t *testing.T) {
	g := newGateway("tcp", "")
	fan := newFan(g, 1, 0)
	fan.ControlsAirflow, fan.ProbeArea = true, 0.5
	fan.Points[0].Point = reading.VelocityPressure
	// V = sqrt(2 * 15 / 1.20138) = 4.997 m/s, through 0.5 m2.
	r := scripted(g, fan, map[[2]int]uint16{{1, 0}: 15})(t)
	if flow, good := r.Get(reading.Airflow); !good || flow < 2.498 || flow > 2.499 || r.Outcome != reading.OK {
		t.Errorf("airflow %v, %v, outcome %s", flow, good, r.Outcome)
	}
	r = scripted(g, fan, nil, 1)(t)
	if r.Quality(reading.Airflow) != reading.Unanswered || r.Outcome != reading.Timeout {
		t.Errorf("silent: airflow %s, outcome %s", r.Quality(reading.Airflow), r.Outcome)
	}
}

// A gateway that zero-fills what it has lost says so by nothing but zeros.
func TestAllZeroMeansAbsent(t *testing.T) {
	tests := []struct {
		name  string
		words map[[2]int]uint16
		when  bool
		want  reading.Outcome
	}{
		{"all zero", map[[2]int]uint16{{1, 0}: 0, {1, 1}: 0}, true, reading.UnitSilent},
		{"stopped at no pressure, the map does not say so", map[[2]int]uint16{{1, 0}: 0, {1, 1}: 0}, false, reading.OK},
		{"one word lives", map[[2]int]uint16{{1, 0}: 0, {1, 1}: 1}, true, reading.OK},
	}
	for _, test := range tests {
		g := newGateway("tcp", "")
		fan := newFan(g, 1, 0)
		fan.PointMap.AbsentIfAllZero = test.when
		r := scripted(g, fan, test.words)(t)
		if r.Outcome != test.want {
			t.Errorf("%s: %s; want %s", test.name, r.Outcome, test.want)
		}
		if _, good := r.Get(reading.Speed); good != (test.want == reading.OK) {
			t.Errorf("%s: the speed counts as good: %v", test.name, good)
		}
	}
}

// What fans have in common does not show that one of them is there.
func TestAllZeroButForWhatIsShared(t *testing.T) {
	g := newGateway("tcp", "")
	fans := []*config.Fan{newFan(g, 1, 0), newFan(g, 1, 10)}
	for _, fan := range fans {
		fan.PointMap.AbsentIfAllZero = true
		fan.Points = append(fan.Points, word(reading.OutdoorTemperature, 1, 50))
	}
	f := &fake{words: map[[2]int]uint16{{1, 0}: 0, {1, 1}: 0, {1, 10}: 30, {1, 11}: 50, {1, 50}: 18}}
	cycles, _ := watch(t, f, fleetOf(fans...), 20*time.Second)
	if absent, there := cycles[0].Readings[0].Outcome, cycles[0].Readings[1].Outcome; absent != reading.UnitSilent || there != reading.OK {
		t.Errorf("%s and %s; want unit_silent and ok", absent, there)
	}
}

// Nor do the bits of a status word that several fans have in common, or a long
// value that lies over a word of another fan.
func TestAllZeroButForASharedStatusWord(t *testing.T) {
	bits := func(fan *config.Fan) {
		for bit, p := range []reading.Point{reading.Enable, reading.Fault} {
			fan.Points = append(fan.Points, config.PlacedPoint{Point: p, Unit: 1, Table: decode.Input, Address: 50,
				Encoding: decode.Encoding{Type: decode.Uint16, Bit: bit, Scale: 1}})
		}
	}
	long := func(fan *config.Fan) {
		energy := word(reading.Energy, 1, 49)
		energy.Encoding.Type = decode.Uint32
		fan.Points = append(fan.Points, energy)
	}
	for name, add := range map[string][2]func(*config.Fan){"bits": {bits, bits}, "a long value over bits": {long, bits},
		"bits under a long value": {bits, long}} {
		g := newGateway("tcp", "")
		fans := []*config.Fan{newFan(g, 1, 0), newFan(g, 1, 10)}
		for i, fan := range fans {
			fan.PointMap.AbsentIfAllZero = true
			add[i](fan)
		}
		f := &fake{words: map[[2]int]uint16{{1, 0}: 0, {1, 1}: 0, {1, 10}: 30, {1, 11}: 50, {1, 49}: 0, {1, 50}: 1}}
		cycles, _ := watch(t, f, fleetOf(fans...), 20*time.Second)
		if absent, there := cycles[0].Readings[0].Outcome, cycles[0].Readings[1].Outcome; absent != reading.UnitSilent || there != reading.OK {
			t.Errorf("%s: %s and %s; want unit_silent and ok", name, absent, there)
		}
	}
}

// A fan's own point goes before the gateway's of the same name.
func TestOwnPointBeforeTheGateways(t *testing.T) {
	for _, unit := range []int{1, 200} { // asked for before the gateway's and after it
		g := newGateway("tcp", "")
		g.Points = []config.PlacedPoint{{Point: reading.OutdoorTemperature, Unit: 100, Table: decode.Input,
			Address: 9, Encoding: word(reading.OutdoorTemperature, 0, 0).Encoding}}
		with, without := newFan(g, unit, 0), newFan(g, unit, 20)
		with.Points = append(with.Points, word(reading.OutdoorTemperature, unit, 5))
		f := &fake{words: map[[2]int]uint16{{100, 9}: 30, {unit, 5}: 20}}
		cycles, _ := watch(t, f, fleetOf(with, without), 20*time.Second)
		for i, want := range []float64{20, 30} {
			if got, _ := cycles[0].Readings[i].Get(reading.OutdoorTemperature); got != want {
				t.Errorf("unit %d, fan %d: %v; want %v", unit, i, got, want)
			}
		}
	}
}

// What the gateway remembers of a unit that it has not heard for long is stale.
func TestHeardAgo(t *testing.T) {
	for _, own := range []bool{true, false} {
		for ago, want := range map[uint16]reading.Outcome{20: reading.OK, 21: reading.UnitSilent} {
			g := newGateway("tcp", "")
			fan := newFan(g, 1, 0)
			heard := inUnit(t, word(reading.HeardAgo, 200, 9), "s")
			if own {
				fan.Points = append(fan.Points, heard)
			} else {
				g.Points = []config.PlacedPoint{heard}
			}
			r := scripted(g, fan, map[[2]int]uint16{{1, 0}: 5, {1, 1}: 6, {200, 9}: ago})(t)
			if r.Outcome != want {
				t.Errorf("heard %d s ago (the fan's own point: %v): %s; want %s", ago, own, r.Outcome, want)
			}
			if stale := r.Quality(reading.Pressure) == reading.Stale; stale != (want == reading.UnitSilent) {
				t.Errorf("heard %d s ago: pressure is %s", ago, r.Quality(reading.Pressure))
			}
			if value, good := r.Get(reading.HeardAgo); !good || value != float64(ago) {
				t.Errorf("heard_ago is %v, %v", value, good)
			}
		}
	}
}

// A contact on an input module of its own is unanswered when that module is
// silent; the controller is not.
func TestSilentModule(t *testing.T) {
	g := newGateway("tcp", "")
	fan := newFan(g, 1, 0)
	fan.Points = append(fan.Points, config.PlacedPoint{Point: reading.Proof, Unit: 40, Table: decode.Discrete, Address: 3,
		Encoding: decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}})
	r := scripted(g, fan, nil)(t)
	if r.Outcome != reading.OK || !r.On(reading.Proof) {
		t.Errorf("%s, proof %s", r.Outcome, r.Quality(reading.Proof))
	}
	r = scripted(g, fan, nil, 40)(t)
	if r.Outcome != reading.OK || r.Quality(reading.Proof) != reading.Unanswered || own(t, fan, &r) != 2 {
		t.Errorf("module silent: %s, proof %s", r.Outcome, r.Quality(reading.Proof))
	}
	r = scripted(g, fan, nil, 1)(t)
	if r.Outcome != reading.Timeout || r.Quality(reading.Proof) != reading.Unanswered {
		t.Errorf("controller silent: %s, proof %s", r.Outcome, r.Quality(reading.Proof))
	}
}

// A controller that falls silent half-way through its blocks is silent, even
// if what is missing could be done without; and so is a fan whose speed is in
// another unit that is silent.
func TestPartlySilent(t *testing.T) {
	g := newGateway("tcp", "")
	fan := newFan(g, 1, 0)
	for i := range fan.Points {
		fan.Points[i].Table = decode.Holding // asked for before the input registers
	}
	fan.Points = append(fan.Points, word(reading.RPM, 1, 2))
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.table == decode.Input {
			return g.Timeout, failure(reading.Timeout)
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(fan), 20*time.Second)
	if r := cycles[0].Readings[0]; r.Outcome != reading.Timeout || own(t, fan, &r) != 0 {
		t.Errorf("silent half-way: %s with %d values", r.Outcome, own(t, fan, &r))
	}
	fan = newFan(g, 1, 0)
	fan.Points[1].Unit = 40
	if r := scripted(g, fan, nil, 40)(t); r.Outcome != reading.Timeout {
		t.Errorf("speed in a silent unit: %s", r.Outcome)
	}
}

// A reading is as old as the oldest value in it, be that the gateway's own.
func TestTimeOfAGatewaysOwnValue(t *testing.T) {
	g := newGateway("tcp", "")
	g.PollEvery, g.Timeout = time.Minute, 20*time.Second
	g.Points = []config.PlacedPoint{word(reading.OutdoorTemperature, 1, 9)}
	f := &fake{answer: func(a asked) (time.Duration, *reading.Failure) {
		if a.unit == 5 {
			return 15 * time.Second, nil
		}
		return 10 * time.Millisecond, nil
	}}
	cycles, _ := watch(t, f, fleetOf(newFan(g, 5, 0), newFan(g, 9, 0)), 2*time.Minute)
	for i, r := range cycles[0].Readings {
		if got := r.Time.Sub(cycles[0].Start); got != 10*time.Millisecond || r.Outcome != reading.OK {
			t.Errorf("fan %d: %s, of %v into the cycle; want 10 ms, when the gateway's own value was read", i, r.Outcome, got)
		}
	}
}

// What a gateway remembers is as old as the gateway says that it is, and what
// has passed since it said so counts as well.
func TestTimeOfWhatAGatewayRemembers(t *testing.T) {
	tests := []struct {
		slow time.Duration // what a unit takes that is asked after the gateway
		want reading.Outcome
	}{{10 * time.Millisecond, reading.OK}, {2 * time.Second, reading.UnitSilent}}
	for _, test := range tests {
		g := newGateway("tcp", "")
		g.Timeout = 3 * time.Second
		fan := newFan(g, 1, 0)
		fan.Points = append(fan.Points, inUnit(t, word(reading.HeardAgo, 1, 2), "s"))
		f := &fake{words: map[[2]int]uint16{{1, 2}: 19}, answer: func(a asked) (time.Duration, *reading.Failure) {
			if a.unit == 2 {
				return test.slow, nil
			}
			return 10 * time.Millisecond, nil
		}}
		cycles, _ := watch(t, f, fleetOf(fan, newFan(g, 2, 0)), time.Minute)
		c := cycles[0]
		r, at := c.Readings[0], c.Start.Add(10*time.Millisecond-19*time.Second)
		if test.want != reading.OK { // it is the poll that failed, and now
			at = c.Start.Add(c.Took)
		}
		if r.Outcome != test.want || !r.Time.Equal(at) {
			t.Errorf("heard 19 s ago, %v before the end of the cycle: %s, %v into the cycle; want %s, %v", test.slow, r.Outcome,
				r.Time.Sub(c.Start), test.want, at.Sub(c.Start))
		}
	}
}

// A reading's time is when the fan was first answered in the cycle.
func TestTimeOfAReading(t *testing.T) {
	g := newGateway("tcp", "")
	fans := append(fansOf(g, 2), newFan(g, 2, 50))
	cycles, _ := watch(t, &fake{}, fleetOf(fans...), 20*time.Second)
	for i, want := range []time.Duration{10, 20, 30} {
		if got := cycles[1].Readings[i].Time.Sub(cycles[1].Start); got != want*time.Millisecond {
			t.Errorf("fan %d was read %v into the cycle; want %v", i, got, want*time.Millisecond)
		}
	}
}
