package turnover

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
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
	fan        *config.Fan
	own        float64 // the speed of its own controller
	forced     float64
	word       uint16 // that holds force_on in bit 2, and another thing in bit 0
	sign       float64
	closesAt   float64
	written    int
	lost       func() bool    // whether the connection is lost now
	pressure   func() float64 // beside what the fan makes
	sticks     bool           // force_on cannot be written off
	spanAtMin  bool           // the speed reads 0 % at the lowest
	full       bool           // the disk is
	overridden bool
	turns      func(speed float64) float64       // rpm of the wheel; nil: it is not read
	refuses    bool                              // every write
	opensAt    float64                           // where the contact breaks; 0: where it makes
	closed     bool                              // the contact is
	free       time.Time                         // when it was given back
	after      func(since time.Duration) float64 // speed of its own controller since then
	shift      func() time.Duration              // of the clock on the wall
	takes      time.Duration                     // for a look
	at         []float64                         // the speeds that were forced
}

func (b *bench) speed() float64 {
	switch {
	case b.word&4 != 0:
		return b.forced
	case b.after != nil && !b.free.IsZero():
		return b.after(time.Since(b.free))
	}
	return b.own
}

func (b *bench) Look(context.Context) (Look, error) {
	if b.lost != nil && b.lost() {
		return Look{}, errors.New("the connection is lost")
	}
	time.Sleep(b.takes)
	l := Look{Time: time.Now()}
	if b.shift != nil {
		l.Time = l.Time.Add(b.shift())
	}
	if speed := b.speed(); speed >= b.closesAt {
		b.closed = true
	} else if b.opensAt == 0 || speed < b.opensAt {
		b.closed = false
	}
	speed, beside := b.speed(), 0.0
	if b.pressure != nil {
		beside = b.pressure()
	}
	for _, p := range Points(b.fan) {
		v := map[reading.Point]float64{reading.Pressure: b.sign*60*speed*speed + beside, reading.Speed: speed, reading.Setpoint: -30,
			reading.MinSpeed: 0.2, reading.RunOn: 90}[p.Point]
		switch {
		case p.Point == reading.HighSpeed && b.closed, p.Point == reading.Override && b.overridden:
			v = 1
		case p.Point == reading.RPM:
			v = b.turns(speed)
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
	if b.refuses {
		return &reading.Failure{Outcome: reading.Exception, Code: 1, Err: errors.New("illegal function")}
	}
	b.written++
	switch p.Point {
	case reading.ForceOn:
		if words[0]&4 == 0 && b.word&4 != 0 {
			b.free = time.Now()
		}
		if b.sticks && words[0]&4 == 0 && b.word&4 != 0 {
			return nil
		}
		b.word = words[0]
	case reading.ForceSpeed:
		b.forced, _ = p.Encoding.Decode(words)
		b.at = append(b.at, b.forced)
	default:
		b.Errorf("%s was written", p.Point)
	}
	return nil
}

// lags lets the pressure follow the speed as a filter of the first order.
func (b *bench) lags(constant time.Duration) {
	made := func() float64 { return b.sign * 60 * b.speed() * b.speed() }
	held, last := made(), time.Now()
	b.pressure = func() float64 {
		passed := time.Since(last)
		last = last.Add(passed)
		held += (made() - held) * -math.Expm1(-float64(passed)/float64(constant))
		return held - made()
	}
}

func newBench(t *testing.T) *bench {
	f := fleet(t, fleetHead+rightMap+forceMap+fleetFan("ef1", 1, "duty = \"bath\"\nallow_exercise = true\nabort_pressure = \"-70 Pa\""))
	return &bench{T: t, fan: f.Fans[0], own: 0.55, word: 1, sign: -1, closesAt: 0.6}
}

// exercise runs one in a bubble of synthetic time.
func (b *bench) exercise(ctx context.Context) (c *Course, err error, intended, done int) {
	e := &Exercise{Fan: b.fan, Driver: b, Steps: Steps(b.fan, false, DefaultHold),
		Intend: func() error {
			intended++
			if b.written > 0 {
				b.Error("the fan was written to before the intent was on disk")
			}
			if b.full {
				return errors.New("no space left on device")
			}
			return nil
		},
		Done: func() error { done++; return nil }}
	c, err = e.Run(ctx)
	return c, err, intended, done
}

func (b *bench) isFree() {
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
		b.isFree()
		if took := time.Since(began); took > b.fan.ExerciseAtMost {
			t.Errorf("it took %s", took)
		}
		fleet := &config.Fleet{}
		for _, s := range Judge(fleet, b.fan, c) {
			t.Log(s.What, s.Verdict, s.Reason)
			if s.Verdict != Pass && !strings.Contains(s.What, "after the release") {
				t.Errorf("%s: %s %s", s.What, s.Verdict, s.Reason)
			}
		}
	})
}

// judged is what an exercise of the bench says of one thing.
func (b *bench) judged(what string, toStop bool) Seen {
	b.Helper()
	if b.turns != nil {
		b.fan.Points = append(b.fan.Points, config.PlacedPoint{Point: reading.RPM, Table: decode.Input, Encoding: decode.Encoding{Type: decode.Uint16, Scale: 1, Bit: decode.NoBit}})
	}
	e := &Exercise{Fan: b.fan, Driver: b, Steps: Steps(b.fan, toStop, DefaultHold), Intend: func() error { return nil }, Done: func() error { return nil }}
	c, err := e.Run(context.Background())
	if err != nil {
		b.Fatal(err)
	}
	b.isFree()
	for _, s := range Judge(&config.Fleet{Fans: []*config.Fan{b.fan, {ID: "beside", Group: "riser"}}}, b.fan, c) {
		if s.What == what {
			return s
		}
	}
	b.Fatalf("nothing is said of the %s", what)
	return Seen{}
}

// TestExerciseFinds holds what only forced steps can prove. The contact is proven
// as in check value G3: it makes on the way up, breaks below that on the way down,
// and does not chatter.
func TestExerciseFinds(t *testing.T) {
	stand := func(since time.Duration) float64 { return 0 }
	for name, c := range map[string]struct {
		plant   func(*bench)
		stop    bool
		what    string
		verdict Verdict
		says    string
	}{
		"wrong way":                     {func(b *bench) { b.sign = 1 }, false, "response", Fail, "the wrong way"},
		"moves nothing":                 {func(b *bench) { b.sign = -0.001 }, false, "response", Fail, "hardly moved"},
		"a slow duct":                   {func(b *bench) { b.lags(10 * time.Second) }, false, "response", Pass, "with the sign that it should have"},
		"a slow duct, the wrong way":    {func(b *bench) { b.sign = 1; b.lags(10 * time.Second) }, false, "response", Fail, "the wrong way"},
		"a duct that is too slow":       {func(b *bench) { b.own = 0.9; b.lags(10 * time.Minute) }, false, "response", NotSeen, "hold each speed for longer with --step"},
		"held by another":               {func(b *bench) { b.sign, b.fan.Group = -0.001, "riser" }, false, "response", NotSeen, "beside on the same riser may have held it"},
		"span of the signal":            {func(b *bench) {}, false, "speed as forced", Pass, "20 % where 20 % was forced and 100 % where 100 % was forced, and the contact made where it is to: the map shows the whole signal"},
		"span by the wheel":             {func(b *bench) { b.turns = func(speed float64) float64 { return 1500 * speed } }, false, "speed as forced", Pass, "and the wheel turned at 20 % of its top then: the map shows the whole signal"},
		"span by the wheel, and a stop": {func(b *bench) { b.turns = func(speed float64) float64 { return 1500 * speed } }, true, "speed as forced", Pass, "20 % where 20 % was forced and 100 % where 100 % was forced, and the wheel turned at 20 % of its top then"},
		"span from lowest, and a stop":  {func(b *bench) { b.spanAtMin = true }, true, "speed as forced", Fail, "the map shows 0 % where the fan is slowest"},
		"limits, and a stop":            {func(b *bench) {}, true, "limits", Pass, "from 20 % to 100 %"},
		"both from lowest":              {func(b *bench) { b.turns = func(speed float64) float64 { return 1500 * (0.2 + 0.8*speed) } }, false, "speed as forced", Fail, "the wheel turned at 36 % of its top then: both maps count from the lowest speed"},
		"span without proof":            {func(b *bench) { b.fan.HasHighSpeed = false }, false, "speed as forced", Pass, "as far as force_speed is mapped to it"},
		"span from lowest":              {func(b *bench) { b.spanAtMin = true }, false, "speed as forced", Fail, "the speed read 0 % where 20 % was forced, and 100 % where 100 % was forced: the map shows 0 % where the fan is slowest, which is 20 % of the whole signal"},
		"threshold":                     {func(b *bench) { b.closesAt = 0.7 }, false, "contact", Fail, "made between 66 % and 80 % and broke between 80 % and 66 %, and the fleet file says that it makes at 60 %"},
		"hysteresis":                    {func(b *bench) { b.opensAt, b.fan.HighSpeedOffAt = 0.55, 0.55 }, false, "contact", Pass, "made at 60 % and broke at 54 %"},
		"hysteresis not in the file":    {func(b *bench) { b.opensAt = 0.55 }, false, "contact", Pass, "broke at 54 %; write high_speed_off_at"},
		"breaks elsewhere":              {func(b *bench) { b.opensAt, b.fan.HighSpeedOffAt = 0.58, 0.5 }, false, "contact", Fail, "the fleet file says that it breaks at 50 %"},
		"above its threshold at first":  {func(b *bench) { b.own = 0.75 }, false, "contact", Pass, "made at 60 % and broke at 59 %"},
		"chatters": {func(b *bench) {
			b.pressure = func() float64 {
				b.closesAt = 0.6 // turns with every other look while the speed is near
				if b.speed() > 0.57 && b.speed() < 0.63 && time.Now().Second()%2 == 0 {
					b.closesAt = 2
				}
				return 0
			}
		}, false, "contact", Fail, "chattered"},
		"no contact":  {func(b *bench) { b.closesAt = 2 }, false, "contact", NotSeen, "did not make"},
		"sticks on":   {func(b *bench) { b.opensAt = 0.001 }, false, "contact", NotSeen, "made at 60 %, and did not break"},
		"slow limits": {func(b *bench) {}, false, "limits", Pass, "from 20 % to 100 %"},
		"ran on": {func(b *bench) {
			b.after = func(since time.Duration) float64 { return map[bool]float64{true: 0.2}[since < 90*time.Second] }
		}, false, "run-on after the release", Pass, "ran on for 1 min 30 s before"},
		"ran on for too long": {func(b *bench) {
			b.fan.RunOn = 30 * time.Second
			b.after = func(since time.Duration) float64 { return map[bool]float64{true: 0.2}[since < 40*time.Second] }
		}, false, "run-on after the release", Fail, "ran on for 40 s before it stopped, and the fleet file says 30 s"},
		"ran on for less": {func(b *bench) {
			b.after = func(since time.Duration) float64 { return map[bool]float64{true: 0.2}[since < 30*time.Second] }
		}, false, "run-on after the release", NotSeen, "its controller may count the forced time too"},
		"has to do": {func(b *bench) { b.after = func(time.Duration) float64 { return 0.5 } }, false, "run-on after the release", NotSeen, "did not stop within 10 s; it ran at 50 %"},
		"starts": {func(b *bench) {
			b.after = func(since time.Duration) float64 { return map[bool]float64{false: 0.4}[since < 3*time.Second] }
		}, true, "restart after the release", Pass, "started by itself within 3 s of its release, its reading then 30.0 Pa past setpoint"},
		"does not start":  {func(b *bench) { b.after = stand }, true, "restart after the release", Fail, "stood still for"},
		"need not start":  {func(b *bench) { b.after, b.fan.RestartRise = stand, 45 }, true, "restart after the release", NotSeen, "there was no demand"},
		"was not stopped": {func(b *bench) {}, false, "restart after the release", NotSeen, "--stop stops it too"},
		"takes control":   {func(b *bench) {}, false, "release", Pass, "10 s later it ran at 55 %"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t)
				c.plant(b)
				if s := b.judged(c.what, c.stop); s.Verdict != c.verdict || !strings.Contains(s.Reason, c.says) {
					t.Errorf("%s %s; want %s %q", s.Verdict, s.Reason, c.verdict, c.says)
				}
			})
		})
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
		"life safety":            {func(f *config.Fan) { f.LifeSafety = true }, "life_safety"},
		"unknown duty":           {func(f *config.Fan) { f.Duty = "" }, "duty is not known"},
		"smoke control":          {func(f *config.Fan) { f.Duty = config.SmokeControl }, "not driven by a tool"},
		"kitchen":                {func(f *config.Fan) { f.Duty = config.Kitchen }, "not driven by a tool"},
		"laboratory":             {func(f *config.Fan) { f.Duty = config.Laboratory }, "not driven by a tool"},
		"dryer shaft":            {func(f *config.Fan) { f.Duty = config.DryerShaft }, "not driven by a tool"},
		"garage":                 {func(f *config.Fan) { f.Duty = config.Garage }, "not driven by a tool"},
		"lowest is a stop":       {func(f *config.Fan) { f.MinSpeed = 0 }, "its min_speed is a stop"},
		"not allowed":            {func(f *config.Fan) { f.AllowExercise = false }, "allow_exercise"},
		"no output":              {func(f *config.Fan) { f.Points = Points(f) }, "no force_speed"},
		"abort without pressure": {func(f *config.Fan) { f.Points = without(f.Points, reading.Pressure) }, "no pressure is mapped to hold against it"},
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

// TestSteps holds of every threshold that the speed only rises and then only falls,
// never leaves the limits, passes the threshold a point at a time both ways, and
// stops only where that is asked for.
func TestSteps(t *testing.T) {
	for _, at := range []float64{0, 0.2, 0.21, 0.4, 0.55, 0.6, 0.62, 0.8, 0.95, 1} {
		f := newBench(t).fan
		f.HighSpeedAt, f.HighSpeedOffAt, f.HasHighSpeed = at, at-0.03, at > 0
		steps := Steps(f, true, DefaultHold)
		if last := steps[len(steps)-1]; last.Speed != 0 || last.For != DefaultHold {
			t.Errorf("%v: a stop was asked for, and the last step is %v", at, last)
		}
		if short := Steps(f, false, DefaultHold); !slices.Equal(short, steps[:len(steps)-1]) {
			t.Errorf("%v: without a stop it is %v", at, short)
		}
		steps = steps[:len(steps)-1]
		top := slices.IndexFunc(steps, func(s Step) bool { return s.Speed > f.MaxSpeed-1e-9 && s.For == DefaultHold })
		near := 0
		for i, s := range steps {
			switch {
			case s.Speed < f.MinSpeed-1e-9 || s.Speed > f.MaxSpeed+1e-9 || math.IsNaN(s.Speed):
				t.Errorf("%v: a step to %v", at, s.Speed)
			case i > 0 && i <= top && s.Speed < steps[i-1].Speed-1e-9, i > top && s.Speed > steps[i-1].Speed+1e-9:
				t.Errorf("%v: from %v to %v", at, steps[i-1].Speed, s.Speed)
			}
			if i > 0 && math.Abs(s.Speed-at) < 0.02 && math.Abs(s.Speed-steps[i-1].Speed) < 0.0101 {
				near++
			}
		}
		if top < 0 || at > f.MinSpeed && near < 4 {
			t.Errorf("%v: its top is step %d, and %d steps are near the threshold", at, top, near)
		}
	}
}

// TestFitsIn holds how long an exercise may take, before it is begun.
func TestFitsIn(t *testing.T) {
	f := newBench(t).fan
	if err := FitsIn(f, Steps(f, true, DefaultHold), DefaultHold); err != nil {
		t.Error(err)
	}
	if err := FitsIn(f, Steps(f, true, time.Minute), time.Minute); err == nil || !strings.Contains(err.Error(), "exercise_at_most") {
		t.Error(err)
	}
	f.HighSpeedDelay = time.Minute
	if err := FitsIn(f, Steps(f, false, DefaultHold), DefaultHold); err == nil {
		t.Error("a contact with a delay of a minute is led past its threshold in ten")
	}
}

// A pressure that lags behind steps that are too short must not be taken for one of
// the wrong sign, nor a wrong sign for the right one, wherever an exercise ends.
func TestResponseOfALag(t *testing.T) {
	for _, sign := range []float64{-1, 1} {
		fail, pass := 0, 0
		var wrong []string
		for _, hold := range []time.Duration{time.Second, 2 * time.Second, 20 * time.Second} {
			for _, constant := range []time.Duration{time.Second, 5 * time.Second, 20 * time.Second, time.Minute} {
				for _, own := range []float64{0.25, 0.55, 0.95} {
					for steps := 2; steps < 18; steps += 3 {
						synctest.Test(t, func(t *testing.T) {
							b := newBench(t)
							b.sign, b.own = sign, own
							b.lags(constant)
							e := &Exercise{Fan: b.fan, Driver: b, Hold: hold, Steps: Steps(b.fan, false, hold)[:steps], Intend: func() error { return nil }, Done: func() error { return nil }}
							c, err := e.Run(t.Context())
							if err != nil {
								t.Fatal(err)
							}
							s := (&stretches{t: newTrace(b.fan, 0, c.Looks), course: c}).response()
							fail, pass = fail+map[Verdict]int{Fail: 1}[s.Verdict], pass+map[Verdict]int{Pass: 1}[s.Verdict]
							if sign < 0 && s.Verdict == Fail || sign > 0 && s.Verdict == Pass {
								wrong = append(wrong, fmt.Sprintf("hold %s, lag %s, from %.0f %%, %d steps: %s %s", hold, constant, 100*own, steps, s.Verdict, s.Reason))
							}
						})
					}
				}
			}
		}
		if sign < 0 && pass < 50 || sign > 0 && fail < 50 {
			t.Errorf("sign %.0f: %d pass, %d fail: too few were proven", sign, pass, fail)
		}
		for _, w := range wrong {
			t.Errorf("sign %.0f, %s", sign, w)
		}
	}
}
