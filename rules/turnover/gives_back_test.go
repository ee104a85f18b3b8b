package turnover

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// after is true from some time on, for a while.
func after(from, lasts time.Duration) func() bool {
	began := time.Now()
	return func() bool {
		since := time.Since(began)
		return since >= from && since < from+lasts
	}
}

// TestGivesBack ends an exercise in every way that it may end, and wants the fan
// given back within the time that it may be forced for.
func TestGivesBack(t *testing.T) {
	late := func(from time.Duration, then float64) func() float64 {
		is := after(from, time.Hour)
		return func() float64 { return map[bool]float64{true: then}[is()] }
	}
	for name, c := range map[string]struct {
		plant func(b *bench, cancel func())
		says  string
	}{
		"interrupted":                  {func(_ *bench, cancel func()) { time.AfterFunc(40*time.Second, cancel) }, "it was interrupted"},
		"connection lost for a minute": {func(b *bench, _ func()) { b.lost = after(50*time.Second, time.Minute) }, "the connection is lost"},
		"pressure reaches its limit":   {func(b *bench, _ func()) { b.pressure = late(30*time.Second, -65) }, "the pressure reached -"},
		"pressure of the wrong sign":   {func(b *bench, _ func()) { b.pressure = late(30*time.Second, 90) }, "and abort_pressure is -70.0 Pa (either sign counts)"},
		"a limit above zero": {func(b *bench, _ func()) {
			*b.fan.AbortPressure = 70
			b.pressure = late(30*time.Second, -65)
		}, "abort_pressure is 70.0 Pa"},
		"time is over":         {func(b *bench, _ func()) { b.fan.ExerciseAtMost = time.Minute }, "exercise_at_most"},
		"time is over, slowly": {func(b *bench, _ func()) { b.takes = 9 * time.Second }, "exercise_at_most"},
		"the machine slept": {func(b *bench, _ func()) {
			woke := after(60*time.Second, time.Hour)
			b.shift = func() time.Duration { return map[bool]time.Duration{true: 2 * time.Hour}[woke()] }
		}, "nothing was seen of the fan for 2 h:"},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t)
				ctx, cancel := context.WithCancel(context.Background())
				defer cancel()
				c.plant(b, cancel)
				course, err, _, done := b.exercise(ctx)
				if err != nil || !strings.Contains(course.Stopped, c.says) || !course.Released || done != 1 {
					t.Fatalf("%v, stopped %q, released %v, done %d; want %q", err, course.Stopped, course.Released, done, c.says)
				}
				b.isFree()
				if course.Forced > b.fan.ExerciseAtMost {
					t.Errorf("it was forced for %s", course.Forced)
				}
			})
		})
	}
}

// TestOneLostAnswer ends nothing: it is asked for again.
func TestOneLostAnswer(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		n := 0
		b.lost = func() bool { n++; return n > 4 && n%3 == 0 }
		if c, err, _, _ := b.exercise(context.Background()); err != nil || c.Stopped != "" {
			t.Errorf("%v, %q", err, c.Stopped)
		}
		b.isFree()
	})
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

// TestGivenBackTooLate says so where the connection was lost for longer than the
// fan may be forced for: nothing could be done sooner, and it is done all the same.
func TestGivenBackTooLate(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		b.fan.ExerciseAtMost = time.Minute
		b.lost = after(30*time.Second, 2*time.Minute)
		c, err, _, done := b.exercise(context.Background())
		if err != nil || !c.Released || done != 1 {
			t.Fatalf("%v, released %v, done %d", err, c.Released, done)
		}
		b.isFree()
		for _, s := range Judge(&config.Fleet{}, b.fan, c) {
			if s.What == "release" && (s.Verdict != Fail || !strings.Contains(s.Reason, "exercise_at_most is 1 min:")) {
				t.Errorf("%s %s", s.Verdict, s.Reason)
			}
		}
	})
}

// TestIsNotForced holds what keeps an exercise from forcing the fan at all, and
// that nothing was written but what gives it back.
func TestIsNotForced(t *testing.T) {
	release, other := 65535.0, 500.0
	encoding := func(b *bench, p reading.Point) *decode.Encoding {
		for i := range b.fan.Points {
			if b.fan.Points[i].Point == p {
				return &b.fan.Points[i].Encoding
			}
		}
		return nil
	}
	for name, c := range map[string]struct {
		plant    func(*bench)
		says     string
		intended int
	}{
		"no intent":            {func(b *bench) { b.full = true }, "could not be put on disk", 1},
		"writes are refused":   {func(b *bench) { b.refuses = true }, "the fan was not forced: the release could not be proven", 1},
		"it is forced already": {func(b *bench) { b.word |= 4 }, "force_on reads on (0x0005)", 0},
		"forced by its speed": {func(b *bench) {
			b.fan.Points = without(b.fan.Points, reading.ForceOn)
			b.fan.ForceRelease = &release
		}, "force_speed reads 0x0000, and 0xFFFF is what releases it", 0},
		"overridden": {func(b *bench) {
			b.fan.Points[0].Point = reading.Override
			b.fan.ControlsAirflow = true
			b.fan.AbortPressure = nil
			b.fan.Points = append(b.fan.Points, config.PlacedPoint{Point: reading.Airflow, Table: decode.Input, Encoding: decode.Encoding{Type: decode.Uint16, Scale: 1, Bit: decode.NoBit}})
			b.overridden = true
		}, "its speed is forced already (override)", 0},
		"lowest is rounded to a stop": {func(b *bench) {
			ratio, _ := units.Find("ratio")
			encoding(b, reading.ForceSpeed).Unit, encoding(b, reading.ForceSpeed).Scale = ratio, 1
		}, "force_speed cannot hold 20 %, it would be written as 0 %", 0},
		"release is too large": {func(b *bench) {
			big := 70000.0
			b.fan.ForceRelease = &big
		}, "cannot hold force_release, 70000", 0},
		"release is a speed": {func(b *bench) { b.fan.ForceRelease = &other }, "", 0}, // 50 % is no step of it
		"release is a step": {func(b *bench) {
			step := 200.0
			b.fan.ForceRelease = &step
		}, "is 20 % to force_speed", 0},
		"connection lost":           {func(b *bench) { b.lost = func() bool { return true } }, "nothing was written: the connection is lost", 0},
		"beyond the abort pressure": {func(b *bench) { b.pressure = func() float64 { return -80 } }, "nothing was written: the pressure reached -98", 0},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBench(t)
				c.plant(b)
				before, began := b.word, time.Now()
				course, err, intended, done := b.exercise(context.Background())
				if c.says == "" {
					return
				}
				if course != nil || err == nil || !strings.Contains(err.Error(), c.says) {
					t.Fatalf("%+v, %v; want %q", course, err, c.says)
				}
				if intended != c.intended || done != c.intended && !b.full || b.word != before || len(b.at) > 0 {
					t.Errorf("intended %d, done %d, word %#x, forced to %v", intended, done, b.word, b.at)
				}
				if took := time.Since(began); took > time.Second {
					t.Errorf("it was tried for %s", took)
				}
			})
		})
	}
}

func without(points []config.PlacedPoint, p reading.Point) []config.PlacedPoint {
	var rest []config.PlacedPoint
	for _, one := range points {
		if one.Point != p {
			rest = append(rest, one)
		}
	}
	return rest
}

// TestReleaseGivesBack what a killed program left, and nothing else.
func TestReleaseGivesBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t)
		b.word, b.forced = 5, 1
		b.lost = after(0, 30*time.Second)
		done := 0
		e := &Exercise{Fan: b.fan, Driver: b, Done: func() error { done++; return errors.New("the note cannot be removed") }}
		if err := e.Release(context.Background()); err == nil || done != 1 || !strings.Contains(err.Error(), "the note") {
			t.Errorf("%v, done %d", err, done)
		}
		b.isFree()
	})
}
