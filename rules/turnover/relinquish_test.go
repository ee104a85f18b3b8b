package turnover

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// array is a fan on a bench whose speed is an object with a priority array. Its own
// controller commands at 16.
type array struct {
	*bench
	slots    [17][]uint16
	sticks   bool // what is commanded cannot be relinquished
	noArray  bool
	priority []int
}

func (a *array) Look(ctx context.Context) (Look, error) {
	a.word, a.forced = 0, 0
	for n := 1; n <= 16; n++ {
		if a.slots[n] != nil {
			place, _ := a.fan.Placed(reading.ForceSpeed)
			a.word, a.forced = 4, 0
			a.forced, _ = place.Encoding.Decode(a.slots[n])
			break
		}
	}
	return a.bench.Look(ctx)
}

func (a *array) Read(_ context.Context, p config.PlacedPoint) ([]uint16, error) {
	switch {
	case a.lost != nil && a.lost():
		return nil, errors.New("the connection is lost")
	case a.noArray:
		return nil, bacnet.Failure(&bacnet.RemoteError{Class: 2, Code: 32})
	}
	return a.slots[p.Priority], nil
}

func (a *array) Write(_ context.Context, p config.PlacedPoint, words []uint16) error {
	if a.lost != nil && a.lost() {
		return errors.New("the connection is lost")
	}
	if p.Point != reading.ForceSpeed {
		a.Errorf("%s was written", p.Point)
	}
	if words == nil && a.slots[p.Priority] != nil && a.sticks {
		return nil
	}
	a.written++
	a.slots[p.Priority] = words
	a.priority = append(a.priority, int(p.Priority))
	return nil
}

func newArray(t *testing.T) *array {
	f := fleet(t, objectsHead+forceObject+fleetFan("ef1", 1201, "duty = \"bath\"\nallow_exercise = true\nabort_pressure = \"-70 Pa\""))
	a := &array{bench: &bench{T: t, fan: f.Fans[0], own: 0.55, sign: -1, closesAt: 0.6}}
	own, _ := f.Fans[0].Placed(reading.ForceSpeed)
	a.slots[16] = own.Encoding.Encode(0.55)
	return a
}

func (a *array) exercise(ctx context.Context) (c *Course, err error, done int) {
	e := &Exercise{Fan: a.fan, Driver: a, Steps: Steps(a.fan, false, DefaultHold), Done: func() error { done++; return nil },
		Intend: func() error {
			if a.written > 0 {
				a.Error("the fan was written to before the intent was on disk")
			}
			return nil
		}}
	c, err = e.Run(ctx)
	return c, err, done
}

// An exercise commands at its priority only, and leaves what others command.
func TestExerciseOnAPriorityArray(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newArray(t)
		c, err, done := a.exercise(t.Context())
		if err != nil || c.Stopped != "" || !c.Released || done != 1 {
			t.Fatalf("%v, %+v, done %d", err, c, done)
		}
		for n := range a.slots {
			if (a.slots[n] != nil) != (n == 16) {
				t.Errorf("priority %d holds %v in the end", n, a.slots[n])
			}
		}
		for _, n := range a.priority {
			if n != 10 {
				t.Errorf("it was commanded at priority %d", n)
			}
		}
		for _, s := range Judge(&config.Fleet{}, a.fan, c) {
			if s.Verdict == Fail {
				t.Errorf("%s: %s", s.What, s.Reason)
			}
		}
	})
}

func TestExerciseOnAPriorityArrayThatIsNotItsOwn(t *testing.T) {
	for what, c := range map[string]struct {
		change func(*array)
		says   string
	}{
		"commanded by another": {func(a *array) { a.slots[10] = a.slots[16] }, "analog-output,1 is commanded at priority 10, to 55 %"},
		"no array":             {func(a *array) { a.noArray = true }, "priority 10 of analog-output,1 could not be read"},
	} {
		synctest.Test(t, func(t *testing.T) {
			a := newArray(t)
			c.change(a)
			if course, err, _ := a.exercise(t.Context()); course != nil || err == nil || !strings.Contains(err.Error(), c.says) || a.written != 0 {
				t.Errorf("%s: %v, %d written", what, err, a.written)
			}
		})
	}
}

// What cannot be relinquished is tried for three minutes, and said.
func TestExerciseThatCannotRelinquish(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newArray(t)
		a.sticks = true
		began := time.Now()
		c, err, done := a.exercise(t.Context())
		if err == nil || !strings.Contains(err.Error(), "COULD NOT BE GIVEN BACK") || c.Released || done != 0 || time.Since(began) < giveBackFor {
			t.Errorf("%v, done %d", err, done)
		}
	})
}

// A fan that a killed program left forced is released whatever the fleet file allows.
func TestReleaseOnAPriorityArray(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newArray(t)
		a.slots[10] = a.slots[16]
		a.fan.AllowExercise = false
		if err := Releasable(a.fan); err != nil {
			t.Error(err)
		}
		done := 0
		e := &Exercise{Fan: a.fan, Driver: a, Done: func() error { done++; return nil }}
		if err := e.Release(t.Context()); err != nil || done != 1 || a.slots[10] != nil || a.slots[16] == nil {
			t.Errorf("%v, done %d, %v", err, done, a.slots)
		}
		a.fan.LifeSafety = true
		if Releasable(a.fan) == nil || Allowed(a.fan) == nil {
			t.Error("a life safety fan may be written to")
		}
	})
}

// When the connection is lost in the middle, or somebody interrupts, the command is
// taken back as soon as that can be.
func TestExerciseOnAPriorityArrayThatEndsEarly(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		a := newArray(t)
		began := time.Now()
		a.lost = func() bool { since := time.Since(began); return since > time.Minute && since < 100*time.Second }
		c, err, done := a.exercise(t.Context())
		if err != nil || c.Stopped == "" || !c.Released || done != 1 || a.slots[10] != nil {
			t.Errorf("lost: %v, %q, %v, %v", err, c.Stopped, c.Released, a.slots[10])
		}
	})
	synctest.Test(t, func(t *testing.T) {
		a := newArray(t)
		ctx, cancel := context.WithCancel(t.Context())
		time.AfterFunc(time.Minute, cancel)
		c, err, done := a.exercise(ctx)
		if err != nil || !strings.Contains(c.Stopped, "interrupted") || !c.Released || done != 1 || a.slots[10] != nil {
			t.Errorf("interrupted: %v, %q, %v, %v", err, c.Stopped, c.Released, a.slots[10])
		}
	})
}
