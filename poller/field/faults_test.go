package field_test

import (
	"math"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// scene is a fan with one trouble on it, and its like without.
type scene struct {
	t        *testing.T
	ill      *field.Field
	well     *field.Field
	fan      reading.FanID
	at       time.Duration
	previous float64
}

func (s *scene) step(d time.Duration) {
	s.ill.Step(d)
	s.well.Step(d)
}

func (s *scene) value(p reading.Point) float64 {
	s.t.Helper()
	v, ok := s.ill.Value(s.fan, p)
	if !ok {
		s.t.Fatalf("%s has no %s", s.fan, p)
	}
	return v
}

func (s *scene) without(p reading.Point) float64 {
	v, _ := s.well.Value(s.fan, p)
	return v
}

func (s *scene) is(p reading.Point, low, high float64) {
	s.t.Helper()
	if v := s.value(p); v < low || v > high {
		s.t.Errorf("%s of %s is %v, want %v to %v (without the trouble it is %v)", p, s.fan, v, low, high, s.without(p))
	}
}

// spread steps for a while and returns the lowest and highest value.
func (s *scene) spread(p reading.Point, span time.Duration) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for range span / time.Second {
		s.step(time.Second)
		v := s.value(p)
		low, high = min(low, v), max(high, v)
	}
	return low, high
}

// count steps for a while and counts what the truth tells.
func (s *scene) count(what string, span time.Duration) int {
	from := s.ill.Now()
	s.step(span)
	n := 0
	for _, e := range s.ill.Events() {
		if e.Fan == s.fan && e.What == what && e.Time.After(from) {
			n++
		}
	}
	return n
}

// effect is what a trouble of a fan makes of it.
type effect struct {
	kind field.Kind
	fan  reading.FanID
	size float64
	at   time.Duration // of the run
	acts func(*scene)
}

func top(s *scene) { s.is(reading.Speed, 0.98, 1) }

// effects are what each trouble makes of fans on which it shows.
func effects() []effect {
	const ten, two = 10 * time.Hour, 2 * time.Hour
	return []effect{
		{field.Undersized, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, -20, 60) }},
		{field.Undersized, "plenum", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, 0, 40) }},
		{field.Undersized, "hood", 0, ten, func(s *scene) { top(s); s.is(reading.Airflow, 0.1, 0.36) }},
		{field.Leaking, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, -20, 60) }},
		{field.SetpointOutOfReach, "bath", 0, ten, func(s *scene) {
			top(s)
			if s.value(reading.Pressure) < s.value(reading.Setpoint)/2 {
				s.t.Error("it reaches half of what is out of reach")
			}
		}},
		{field.DeafWhenIdle, "night", 0, two, func(s *scene) {
			if n := s.count(field.Started, 12*time.Hour); n > 1 {
				s.t.Errorf("a deaf fan started %d times", n)
			}
			s.is(reading.Speed, 0, 0)
		}},
		{field.RestartOutOfReach, "night", 0, two, func(s *scene) {
			s.is(reading.RestartRise, 90, 1000)
			if n := s.count(field.Started, 12*time.Hour); n > 1 {
				s.t.Errorf("it started %d times", n)
			}
		}},
		{field.TubeOff, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, -2, 2) }},
		{field.ProbeWrongSide, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, 60, 400) }},
		{field.ProbeWrongSide, "plenum", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, -500, -60) }},
		{field.ProbeWrongSide, "hood", 0, ten, func(s *scene) { top(s); s.is(reading.VelocityPressure, -500, -20) }},
		{field.TubesSwapped, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, 60, 500) }},
		{field.SignLost, "bath", 0, ten, func(s *scene) {
			s.is(reading.Pressure, -s.without(reading.Pressure)-1e-9, -s.without(reading.Pressure)+1e-9)
			s.is(reading.Speed, s.without(reading.Speed), s.without(reading.Speed))
		}},
		{field.OverFast, "bath", 0, ten, func(s *scene) { s.swings(0.3) }},
		{field.OverFast, "hood", 0, ten, func(s *scene) { s.swings(0.3) }},
		{field.ContactOpen, "bath", 0, ten, func(s *scene) {
			put(s.t, s.ill, field.Fault{Fan: s.fan, Kind: field.LeftInHand, Size: 1})
			s.step(time.Minute)
			s.is(reading.HighSpeed, 0, 0)
			s.ill.Clear(field.Fault{Fan: s.fan, Kind: field.LeftInHand})
		}},
		{field.ContactClosed, "bath", 0, ten, func(s *scene) { s.is(reading.HighSpeed, 1, 1); s.is(reading.Speed, 0.2, 0.74) }},
		{field.ContactThreshold, "bath", 0.3, ten, func(s *scene) { s.is(reading.HighSpeed, 1, 1); s.is(reading.Speed, 0.3, 0.74) }},
		{field.MotorOff, "bath", 0, ten, func(s *scene) {
			top(s)
			s.is(reading.RPM, 0, 1)
			s.is(reading.Proof, 0, 0)
			s.is(reading.Running, 1, 1)
			s.is(reading.Power, 0, 0)
			s.is(reading.Pressure, -15, 60)
		}},
		{field.Tripped, "bath", 0, ten, func(s *scene) {
			s.is(reading.Fault, 1, 1)
			s.is(reading.Speed, 0, 0)
			s.is(reading.Enable, 1, 1)
		}},
		{field.NotPermitted, "bath", 0, ten, func(s *scene) {
			s.is(reading.Enable, 0, 0)
			s.is(reading.Speed, 0, 0)
			s.is(reading.Fault, 0, 0)
		}},
		{field.SensorFrozen, "bath", 0, ten, func(s *scene) {
			if low, high := s.spread(reading.Pressure, 10*time.Minute); low != high {
				s.t.Errorf("a frozen sensor moves from %v to %v", low, high)
			}
		}},
		{field.SensorDrifting, "kitchen", -3, ten, func(s *scene) {
			s.step(4 * time.Hour) // the controller holds what it reads, so the riser drifts the other way
			s.is(reading.Pressure, -140, -100)
			s.is(reading.Speed, 0.1, s.without(reading.Speed)-0.002)
		}},
		{field.SensorOutOfRange, "bath", 0, ten, func(s *scene) { s.is(reading.Pressure, -1e4, -499); s.is(reading.Speed, 0, 0.2) }},
		{field.SensorOutOfRange, "bath", -1, ten, func(s *scene) { s.is(reading.Pressure, 499, 1e4); top(s) }},
		{field.LeftInHand, "bath", 0.9, ten, func(s *scene) { s.is(reading.Override, 1, 1); s.is(reading.Speed, 0.9, 0.9) }},
		{field.ShortCycling, "night", 0, two, func(s *scene) {
			if n := s.count(field.Started, 2*time.Hour); n < 12 {
				s.t.Errorf("it started %d times in two hours", n)
			}
		}},
		{field.SlowLoading, "laundry", 2, two, func(s *scene) {
			s.step(2 * 24 * time.Hour)
			if more := s.value(reading.Speed) - s.without(reading.Speed); more < 0.01 {
				s.t.Errorf("two days of growing leakage change its speed by %v", more)
			}
		}},
		{field.SettingsChanged, "bath", 1.4, ten, func(s *scene) {
			s.is(reading.Setpoint, -43, -41)
			s.is(reading.Pressure, -50, -34)
		}},
		{field.MinSpeedRaised, "bath", 0.7, ten, func(s *scene) {
			s.is(reading.MinSpeed, 0.7, 0.7)
			s.is(reading.Speed, 0.7, 1)
			s.is(reading.Pressure, -500, -36)
		}},
		{field.Crowded, "bath", 0, ten, func(s *scene) { top(s); s.is(reading.Pressure, 25, 55) }},
		{field.Crowded, "kitchen", 1.2, ten, func(s *scene) {
			if more := s.value(reading.Speed) - s.without(reading.Speed); more < 0.05 {
				s.t.Errorf("a crowd changes its speed by %v", more)
			}
		}},
	}
}

// Each trouble acts on its fan as it should, and the fan is as it was without it
// once the trouble is gone.
func TestEachTroubleActsWhereItShould(t *testing.T) {
	for _, c := range effects() {
		t.Run(string(c.kind)+" of "+string(c.fan), func(t *testing.T) {
			t.Parallel()
			s := &scene{t: t, ill: single(t, c.fan, 4), well: single(t, c.fan, 4), fan: c.fan}
			s.step(c.at)
			fault := field.Fault{Fan: c.fan, Kind: c.kind, Size: c.size}
			if slow(c.kind) {
				fault.From = s.ill.Now()
			}
			put(t, s.ill, fault)
			s.step(5 * time.Minute)
			c.acts(s)
			s.ill.Clear(fault)
			if _, on := s.ill.On(c.fan, "", c.kind); on || len(s.ill.Faults()) != 0 {
				t.Error("it is not taken away")
			}
			s.recovers()
		})
	}
}

// slow troubles grow from their beginning.
func slow(k field.Kind) bool { return k == field.SensorDrifting || k == field.SlowLoading }

// swings asserts that a loop never settles: the speed is far apart within any
// two minutes, and goes back and forth.
func (s *scene) swings(span float64) {
	for range 5 {
		low, high := s.spread(reading.Speed, 2*time.Minute)
		if high-low < span {
			s.t.Errorf("within two minutes its speed goes from %.2f to %.2f only", low, high)
		}
	}
}

// recovers waits until the fan does again what it would have done without the
// trouble.
func (s *scene) recovers() {
	s.t.Helper()
	p := reading.Pressure
	if _, airflow := s.ill.Value(s.fan, reading.Airflow); airflow {
		p = reading.Airflow
	}
	for range 12 * 60 {
		s.step(time.Minute)
		if math.Abs(s.value(p)-s.without(p)) <= max(3, 0.02*math.Abs(s.without(p))) &&
			math.Abs(s.value(reading.Speed)-s.without(reading.Speed)) < 0.03 &&
			s.value(reading.Running) == s.without(reading.Running) {
			return
		}
	}
	s.t.Errorf("twelve hours after the trouble is gone it reads %v at %v, and without it %v at %v", s.value(p),
		s.value(reading.Speed), s.without(p), s.without(reading.Speed))
}

func TestTroublesComeAndGoAtTheirTimes(t *testing.T) {
	f := newField(t, 12, 4)
	fault := field.Fault{Fan: "bath", Kind: field.NotPermitted, From: monday.Add(time.Hour), Until: monday.Add(2 * time.Hour)}
	put(t, f, fault)
	put(t, f, field.Fault{Gateway: "gw", Kind: field.TrunkCut, From: monday.Add(90 * time.Minute)})
	for minute := range 180 {
		during := minute >= 60 && minute < 120
		got, on := f.On("bath", "", field.NotPermitted)
		enable, _ := f.Value("bath", reading.Enable)
		if on != during || on && got != fault || minute > 0 && (enable == 0) != during {
			t.Errorf("after %d minutes it is on: %v, and permitted: %v", minute, on, enable)
		}
		if _, cut := f.On("", "gw", field.TrunkCut); cut != (minute >= 90) {
			t.Errorf("after %d minutes the trunk is cut: %v", minute, cut)
		}
		f.Step(time.Minute)
	}
	if faults := f.Faults(); len(faults) != 2 {
		t.Errorf("the faults are %v", faults)
	}
}

func TestWhatCannotBePutIsSaid(t *testing.T) {
	f := newField(t, 12, 4)
	for want, fault := range map[string]field.Fault{
		"not a kind of trouble":     {Fan: "bath", Kind: "gremlins"},
		`no fan "nobody"`:           {Fan: "nobody", Kind: field.MotorOff},
		`no fan ""`:                 {Kind: field.MotorOff},
		`no gateway "nowhere"`:      {Gateway: "nowhere", Kind: field.TrunkCut},
		"name a gateway, and no":    {Fan: "bath", Kind: field.TrunkCut},
		"name a fan, and no":        {Fan: "bath", Gateway: "gw", Kind: field.MotorOff},
		"never goes idle":           {Fan: "bath", Kind: field.DeafWhenIdle},
		"is over before it begins":  {Fan: "bath", Kind: field.MotorOff, From: monday, Until: monday},
		"cannot be short_cycling":   {Fan: "kitchen", Kind: field.ShortCycling},
		"cannot be restart_out_of_": {Fan: "kitchen", Kind: field.RestartOutOfReach},
		"undersized takes a size of 0.01 to 1, not 1e+308; it means: the part of its pressure that is left": {Fan: "bath", Kind: field.Undersized, Size: 1e308},
		"sensor_drifting takes a size of -1000 to 1000, not 1e+300":                                         {Fan: "bath", Kind: field.SensorDrifting, Size: 1e300},
		"left_in_hand takes a size of 0.001 to 1, not 5":                                                    {Fan: "bath", Kind: field.LeftInHand, Size: 5},
		"left_in_hand takes a size of 0.001 to 1, not -1":                                                   {Fan: "bath", Kind: field.LeftInHand, Size: -1},
		"leaking takes a size of 0.1 to 100, not -1":                                                        {Fan: "bath", Kind: field.Leaking, Size: -1},
		"over_fast takes a size of 0.1 to 1000, not -1":                                                     {Fan: "bath", Kind: field.OverFast, Size: -1},
		"slow_line takes a size of 0.001 to 30, not -1":                                                     {Gateway: "gw", Kind: field.SlowLine, Size: -1},
		"slow_line takes a size of 0.001 to 30, not 3600":                                                   {Gateway: "gw", Kind: field.SlowLine, Size: 3600},
		"settings_changed takes a size of 0.1 to 10, not NaN":                                               {Fan: "bath", Kind: field.SettingsChanged, Size: math.NaN()},
		"slow_loading takes a size of 0.01 to 100, not +Inf":                                                {Fan: "bath", Kind: field.SlowLoading, Size: math.Inf(1)},
		"sensor_drifting takes a size of -1000 to 1000, not -Inf":                                           {Fan: "bath", Kind: field.SensorDrifting, Size: math.Inf(-1)},
		"motor_off has no size":                                                                             {Fan: "bath", Kind: field.MotorOff, Size: 1},
	} {
		if err := f.Put(fault); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%+v: %v, want %q", fault, err, want)
		}
	}
	if len(f.Faults()) != 0 {
		t.Error("what cannot be put was put")
	}
	f.Clear(field.Fault{Fan: "nobody", Kind: field.MotorOff})
}

// At either end of its range a trouble leaves the fan in its senses, and within
// minutes of its end the fan's readings are those of a fan again.
func TestNoSizeRuinsAFan(t *testing.T) {
	for _, k := range field.Catalogue() {
		if k.Of != "fan" || k.Size == "" || k.Kind.Only() == "bacnet" { // what a device's messages are like changes no fan
			continue
		}
		for _, size := range [...]float64{k.Least, k.Most} {
			for _, fan := range [...]reading.FanID{"night", "hood"} {
				if k.Kind == field.RestartOutOfReach && fan != "night" {
					continue
				}
				f := single(t, fan, 4)
				put(t, f, field.Fault{Fan: fan, Kind: k.Kind, Size: size, From: monday})
				f.Step(5 * time.Minute)
				sane(t, f, fan, k.Kind, size)
				f.Clear(field.Fault{Fan: fan, Kind: k.Kind})
				f.Step(time.Minute)
				sane(t, f, fan, k.Kind, size)
				if v, _ := f.Value(fan, reading.Pressure); k.Kind == field.SensorDrifting && math.Abs(v) > 300 {
					t.Errorf("a minute after %s by %g has ended it reads %v", k.Kind, size, v)
				}
			}
		}
	}
}

// sane asserts that every point of a fan is a number, and that ratios and
// contacts are from 0 to 1.
func sane(t *testing.T, f *field.Field, fan reading.FanID, kind field.Kind, size float64) {
	t.Helper()
	for p := range reading.Point(reading.Points) {
		v, ok := f.Value(fan, p)
		if ok && (math.IsNaN(v) || math.IsInf(v, 0)) {
			t.Errorf("%s %g: %s of %s is %v", kind, size, p, fan, v)
		}
	}
	for _, p := range [...]reading.Point{reading.Speed, reading.HighSpeedAt, reading.HighSpeedOffAt, reading.HighSpeed} {
		if v, _ := f.Value(fan, p); v < 0 || v > 1 {
			t.Errorf("%s %g: %s of %s is %v", kind, size, p, fan, v)
		}
	}
}

// A contact that makes at nearly no speed breaks when the fan stops.
func TestAContactThatMakesAtOnceBreaksAtAStandstill(t *testing.T) {
	f := single(t, "bath", 4)
	put(t, f, field.Fault{Fan: "bath", Kind: field.ContactThreshold, Size: 0.001})
	f.Step(time.Minute)
	if v, _ := f.Value("bath", reading.HighSpeed); v != 1 {
		t.Error("the contact is open while the fan runs")
	}
	put(t, f, field.Fault{Fan: "bath", Kind: field.NotPermitted})
	f.Step(time.Minute)
	if v, _ := f.Value("bath", reading.HighSpeed); v != 0 {
		t.Error("the contact is closed while the fan stands")
	}
}

func TestEveryKindIsAFansOrAGateways(t *testing.T) {
	f := newField(t, 12, 4)
	seen := make(map[field.Kind]bool)
	for _, k := range field.Kinds() {
		if seen[k] {
			t.Errorf("%s is there twice", k)
		}
		seen[k] = true
		fault := field.Fault{Gateway: "gw", Kind: k}
		if k.OfFan() {
			fault = field.Fault{Fan: "night", Kind: k}
		}
		if err := f.Put(fault); (err != nil) != (k.Only() == "bacnet") {
			t.Error(k, err)
		}
	}
	if field.SilentUnit.OfFan() != true || field.TrunkCut.OfFan() || field.Kind("gremlins").OfFan() {
		t.Error("a fan's trouble is taken for a gateway's")
	}
	f.Step(time.Hour) // all at once is nonsense, and yet a run
	if v, ok := f.Value("night", reading.Pressure); !ok || math.IsNaN(v) || math.IsInf(v, 0) {
		t.Errorf("it reads %v", v)
	}
}
