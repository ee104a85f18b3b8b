package turnover

import (
	"context"
	"errors"
	"math"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

const forceMap = `
[pointmaps.m.points.force_speed]
table = "holding"
address = 40
type = "uint16"
scale = 0.1
unit = "%"
[pointmaps.m.points.force_on]
table = "holding"
address = 41
type = "uint16"
bit = 2
`

// bench is a fan on a bench: it takes a forced speed at once, its pressure goes
// with the square of it (fan laws), and its contact closes at 60 %.
type bench struct {
	*testing.T
	fan       *config.Fan
	own       float64 // the speed of its own controller
	forced    float64
	word      uint16 // that holds force_on in bit 2, and another thing in bit 0
	sign      float64
	closesAt  float64
	written   int
	lost      func() bool    // whether the connection is lost now
	pressure  func() float64 // beside what the fan makes
	sticks    bool           // force_on cannot be written off
	spanAtMin bool           // the speed reads 0 % at the lowest
}

func (b *bench) speed() float64 {
	if b.word&4 != 0 {
		return b.forced
	}
	return b.own
}

func (b *bench) Look(context.Context) (Look, error) {
	if b.lost != nil && b.lost() {
		return Look{}, errors.New("the connection is lost")
	}
	l := Look{Time: time.Now()}
	speed, beside := b.speed(), 0.0
	if b.pressure != nil {
		beside = b.pressure()
	}
	for _, p := range Points(b.fan) {
		v := map[reading.Point]float64{reading.Pressure: b.sign*60*speed*speed + beside, reading.Speed: speed, reading.Setpoint: -30,
			reading.MinSpeed: 0.2, reading.RunOn: 90}[p.Point]
		switch {
		case p.Point == reading.HighSpeed && speed >= b.closesAt:
			v = 1
		case p.Point == reading.Speed && b.spanAtMin:
			v = (speed - 0.2) / 0.8
		}
		l.Answers = append(l.Answers, Answer{Words: p.Encoding.Encode(v)})
	}
	return l, nil
}

func (b *bench) Read(_ context.Context, p config.PlacedPoint) ([]uint16, error) {
	if b.lost != nil && b.lost() {
		return nil, errors.New("the connection is lost")
	}
	if p.Point == reading.ForceOn {
		return []uint16{b.word}, nil
	}
	return p.Encoding.Encode(b.forced), nil
}

func (b *bench) Write(_ context.Context, p config.PlacedPoint, words []uint16) error {
	if b.lost != nil && b.lost() {
		return errors.New("the connection is lost")
	}
	b.written++
	switch p.Point {
	case reading.ForceOn:
		if b.sticks && words[0]&4 == 0 && b.word&4 != 0 {
			return nil
		}
		b.word = words[0]
	case reading.ForceSpeed:
		b.forced, _ = p.Encoding.Decode(words)
	default:
		b.Errorf("%s was written", p.Point)
	}
	return nil
}

func newBench(t *testing.T) *bench {
	f := fleet(t, fleetHead+rightMap+forceMap+fleetFan("ef1", 1, "duty = \"bath\"\nallow_exercise = true\nabort_pressure = \"-70 Pa\""))
	return &bench{T: t, fan: f.Fans[0], own: 0.55, word: 1, sign: -1, closesAt: 0.6}
}

// exercise runs one in a bubble of synthetic time.
func (b *bench) exercise(ctx context.Context) (c *Course, err error, intended, done int) {
	e := &Exercise{Fan: b.fan, Driver: b, Steps: Steps(b.fan, false),
		Intend: func() error {
			intended++
			if b.written > 0 {
				b.Error("the fan was written to before the intent was on disk")
			}
			return nil
		},
		Done: func() error { done++; return nil }}
	c, err = e.Run(ctx)
	return c, err, intended, done
}

func (b *bench) free() {
	b.Helper()
	if b.word != 1 {
		b.Errorf("the fan was left forced, or the other bits of its word were changed: %04x", b.word)
	}
}

func TestExercise(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		began := time.Now()
		c, err, intended, done := b.exercise(context.Background())
		if err != nil || c.Stopped != "" || !c.Released || intended != 1 || done != 1 {
			t.Fatalf("%v, %q, released %v, intended %d, done %d", err, c.Stopped, c.Released, intended, done)
		}
		b.free()
		if took := time.Since(began); took > b.fan.ExerciseAtMost {
			t.Errorf("it took %s", took)
		}
		fleet := &config.Fleet{}
		for _, s := range Judge(fleet, b.fan, c) {
			t.Log(s.What, s.Verdict, s.Reason)
			if s.Verdict != Pass {
				t.Errorf("%s: %s %s", s.What, s.Verdict, s.Reason)
			}
		}
	})
}

// TestExerciseFinds holds what only forced steps can prove.
func TestExerciseFinds(t *testing.T) {
	for name, c := range map[string]struct {
		plant func(*bench)
		what  string
		says  string
	}{
		"wrong way":        {func(b *bench) { b.sign = 1 }, "response", "the wrong way"},
		"moves nothing":    {func(b *bench) { b.sign = -0.001 }, "response", "hardly moved"},
		"threshold":        {func(b *bench) { b.closesAt = 0.7 }, "contact", "made at 80 % and broke at 60 %"},
		"span from lowest": {func(b *bench) { b.spanAtMin = true }, "speed as forced", "shows 0 % where the fan is slowest"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t)
				c.plant(b)
				course, err, _, _ := b.exercise(context.Background())
				if err != nil {
					t.Fatal(err)
				}
				b.free()
				for _, s := range Judge(&config.Fleet{}, b.fan, course) {
					if s.What == c.what && (s.Verdict != Fail || !strings.Contains(s.Reason, c.says)) {
						t.Errorf("%s: %s %s; want %q", s.What, s.Verdict, s.Reason, c.says)
					}
				}
			})
		})
	}
}

// TestGivesBack ends an exercise in every way that it may end, and wants the fan
// given back.
func TestGivesBack(t *testing.T) {
	for name, plant := range map[string]func(b *bench, began time.Time, cancel func()){
		"interrupted": func(b *bench, _ time.Time, cancel func()) { time.AfterFunc(40*time.Second, cancel) },
		"connection lost for a minute": func(b *bench, began time.Time, _ func()) {
			b.lost = func() bool {
				since := time.Since(began)
				return since > 50*time.Second && since < 110*time.Second
			}
		},
		"pressure reaches its limit": func(b *bench, began time.Time, _ func()) {
			b.pressure = func() float64 {
				if time.Since(began) > 30*time.Second {
					return -65
				}
				return 0
			}
		},
		"time is over": func(b *bench, _ time.Time, _ func()) { b.fan.ExerciseAtMost = time.Minute },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t)
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				plant(b, time.Now(), cancel)
				c, err, _, done := b.exercise(ctx)
				if err != nil || c.Stopped == "" || !c.Released || done != 1 {
					t.Fatalf("%v, stopped %q, released %v, done %d", err, c.Stopped, c.Released, done)
				}
				t.Log(c.Stopped)
				b.free()
			})
		})
	}
}

// TestCannotGiveBack leaves the intent where the fan does not let go, and says so.
func TestCannotGiveBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		b.sticks = true
		c, err, _, done := b.exercise(context.Background())
		if err == nil || !strings.Contains(err.Error(), "COULD NOT BE GIVEN BACK") || c.Released || done != 0 {
			t.Errorf("%v, %+v, done %d", err, c.Released, done)
		}
	})
}

// TestNothingIsWrittenWithoutIntent holds the order: disk first.
func TestNothingIsWrittenWithoutIntent(t *testing.T) {
	b := newBench(t)
	e := &Exercise{Fan: b.fan, Driver: b, Steps: Steps(b.fan, false), Intend: func() error { return errors.New("disk full") }}
	if _, err := e.Run(context.Background()); err == nil || b.written != 0 {
		t.Errorf("%v; %d writes", err, b.written)
	}
}

// TestAllowed refuses every fan that no tool drives. (NFPA 92, NFPA 96, ANSI/ASSP
// Z9.5, IMC 404 and 504.)
func TestAllowed(t *testing.T) {
	release := 65535.0
	for name, c := range map[string]struct {
		change func(*config.Fan)
		says   string
	}{
		"life safety":   {func(f *config.Fan) { f.LifeSafety = true }, "life_safety"},
		"unknown duty":  {func(f *config.Fan) { f.Duty = "" }, "duty is not known"},
		"smoke control": {func(f *config.Fan) { f.Duty = config.SmokeControl }, "not driven by a tool"},
		"kitchen":       {func(f *config.Fan) { f.Duty = config.Kitchen }, "not driven by a tool"},
		"laboratory":    {func(f *config.Fan) { f.Duty = config.Laboratory }, "not driven by a tool"},
		"dryer shaft":   {func(f *config.Fan) { f.Duty = config.DryerShaft }, "not driven by a tool"},
		"garage":        {func(f *config.Fan) { f.Duty = config.Garage }, "not driven by a tool"},
		"not allowed":   {func(f *config.Fan) { f.AllowExercise = false }, "allow_exercise"},
		"no output":     {func(f *config.Fan) { f.Points = Points(f) }, "no force_speed"},
		"no release": {func(f *config.Fan) {
			f.Points = append(Points(f), config.PlacedPoint{Point: reading.ForceSpeed, Table: decode.Holding})
		}, "nothing gives control back"},
		"good":                {func(*config.Fan) {}, ""},
		"good by its release": {func(f *config.Fan) { f.ForceRelease = &release }, ""},
	} {
		b := newBench(t)
		c.change(b.fan)
		switch err := Allowed(b.fan); {
		case err == nil && c.says != "", err != nil && (c.says == "" || !strings.Contains(err.Error(), c.says)):
			t.Errorf("%s: %v; want %q", name, err, c.says)
		}
	}
}

// TestStepsNeverStop holds that no step is below the lowest speed unless a stop is
// asked for.
func TestStepsNeverStop(t *testing.T) {
	f := newBench(t).fan
	for _, s := range Steps(f, false) {
		if s.Speed < f.MinSpeed-1e-9 || s.Speed > f.MaxSpeed+1e-9 || math.IsNaN(s.Speed) {
			t.Errorf("a step to %v", s.Speed)
		}
	}
	if steps := Steps(f, true); steps[len(steps)-1].Speed != 0 {
		t.Error("a stop was asked for, and there is none")
	}
}
