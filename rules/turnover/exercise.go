package turnover

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// Driver is the way to one fan that is exercised. It opens its connection again by
// itself: after one is lost, the next call tries anew.
type Driver interface {
	// Look reads all of Points(fan).
	Look(ctx context.Context) (Look, error)
	// Read and Write are of one point. Only ForceSpeed and ForceOn are written.
	Read(ctx context.Context, p config.PlacedPoint) ([]uint16, error)
	Write(ctx context.Context, p config.PlacedPoint, words []uint16) error
}

// Exercise forces a fan through steps of speed and gives it back to its own
// controller, whatever happens.
type Exercise struct {
	Fan    *config.Fan
	Driver Driver
	Steps  []Step
	// Intend is called before the first write, and its error means that nothing is
	// written: that somebody is about to force this fan must be known to whoever
	// comes after a crash. Done is called once the fan was given back and said so.
	Intend func() error
	Done   func() error
	// Tell is told what is done, for people who watch; nil: nobody.
	Tell func(format string, args ...any)
}

// Step is a speed to force, and for how long.
type Step struct {
	Speed float64 // ratio
	For   time.Duration
}

// Mark is when a speed was forced; NaN is the release.
type Mark struct {
	Time  time.Time
	Speed float64
}

// Course is what was done and seen.
type Course struct {
	Looks []Look
	Marks []Mark
	// Stopped says why the steps were not all taken; "" if they were.
	Stopped string
	// Released reports whether the fan was given back and said so.
	Released bool
}

// How an exercise goes. The times are engineering choices: a controller takes a
// few seconds to follow, and a duct some more to settle.
const (
	lookEvery   = time.Second
	settle      = 10 * time.Second
	giveBackFor = 3 * time.Minute
	giveBackGap = 2 * time.Second
	follows     = 0.03 // points of speed by which a forced one may be missed
)

// Allowed reports why a fan may not be exercised; nil if it may.
//
// The duties that no tool drives follow NFPA 92 (smoke control), NFPA 96
// (commercial kitchens), ANSI/ASSP Z9.5 (laboratories), IMC 504 (shared dryer
// shafts) and IMC 404 (garages).
func Allowed(f *config.Fan) error {
	_, speed := f.Placed(reading.ForceSpeed)
	_, on := f.Placed(reading.ForceOn)
	switch {
	case f.LifeSafety:
		return errors.New("it is marked life_safety: nothing ever writes to it")
	case f.Duty == config.UnknownDuty:
		return errors.New("its duty is not known: say what it is for (duty = ...), so that nothing is driven that must not be")
	case !slices.Contains([]config.Duty{config.Bath, config.Laundry, config.General}, f.Duty):
		return fmt.Errorf("a fan of duty %q is not driven by a tool: local codes and licensed practice say how it is tested", f.Duty)
	case !f.AllowExercise:
		return errors.New("the fleet file does not allow it: set allow_exercise = true if the owner agrees")
	case !speed:
		return errors.New("its point map has no force_speed to write")
	case !on && f.ForceRelease == nil:
		return errors.New("nothing gives control back: map force_on, or give force_release, the raw value of force_speed that does")
	}
	return nil
}

// Releasable reports why a fan cannot be given back by a write; nil if it can. What
// the fleet file allows does not count here: a fan that was left forced is to be
// released whatever has become of the file.
func Releasable(f *config.Fan) error {
	_, on := f.Placed(reading.ForceOn)
	_, speed := f.Placed(reading.ForceSpeed)
	switch {
	case f.LifeSafety:
		return errors.New("it is marked life_safety: nothing ever writes to it; set it back to automatic at its controller")
	case !on && (!speed || f.ForceRelease == nil):
		return errors.New("nothing that gives control back is mapped: map force_on, or force_speed with force_release")
	}
	return nil
}

// Run exercises the fan. It returns when the fan was given back, or when that
// could not be had within three minutes: then Course.Released is false, the
// intent stands, and the error says so. When ctx ends, the steps end, and control
// is given back all the same.
func (e *Exercise) Run(ctx context.Context) (*Course, error) {
	if err := Allowed(e.Fan); err != nil {
		return nil, err
	}
	c := &Course{}
	if err := e.look(ctx, c); err != nil {
		return nil, fmt.Errorf("nothing was written: %w", err)
	}
	if err := e.Intend(); err != nil {
		return nil, fmt.Errorf("nothing was written, because what is about to be done could not be put on disk: %w", err)
	}
	if err := e.drive(ctx, c); err != nil {
		c.Stopped = err.Error()
		e.tell("stopped: %v", err)
	}
	return c, e.giveBack(ctx, c)
}

// drive proves the release and then takes the steps.
func (e *Exercise) drive(ctx context.Context, c *Course) error {
	deadline := time.Now().Add(e.Fan.ExerciseAtMost)
	if err := e.release(ctx); err != nil {
		return fmt.Errorf("the release could not be proven before the fan was forced: %w", err)
	}
	if err := e.proveRelease(ctx, c, deadline); err != nil {
		return err
	}
	for _, s := range e.Steps {
		if err := e.take(ctx, c, s, deadline); err != nil {
			return err
		}
	}
	return nil
}

// proveRelease forces the speed that the fan has anyway, and gives it back,
// before anything further is asked of it.
func (e *Exercise) proveRelease(ctx context.Context, c *Course, deadline time.Time) error {
	t := newTrace(e.Fan, 0, c.Looks)
	now := t.at(reading.Speed, len(c.Looks)-1)
	if math.IsNaN(now) {
		return errors.New("its speed cannot be read")
	}
	gentle := Step{Speed: min(max(now, e.Fan.MinSpeed), e.Fan.MaxSpeed), For: settle}
	e.tell("proving the release at %.0f %%, where the fan is", 100*gentle.Speed)
	if err := e.take(ctx, c, gentle, deadline); err != nil {
		return err
	}
	if err := e.release(ctx); err != nil {
		return fmt.Errorf("the release could not be proven: %w", err)
	}
	c.Marks = append(c.Marks, Mark{time.Now(), math.NaN()})
	return e.watch(ctx, c, settle, deadline)
}

// take forces one speed for a while.
func (e *Exercise) take(ctx context.Context, c *Course, s Step, deadline time.Time) error {
	if err := ctx.Err(); err != nil {
		return errInterrupted
	}
	if time.Until(deadline) < s.For {
		return fmt.Errorf("the time that the fan may be forced for (exercise_at_most, %s) is over", e.Fan.ExerciseAtMost)
	}
	e.tell("forcing %.0f %%", 100*s.Speed)
	if err := e.force(ctx, s.Speed); err != nil {
		return err
	}
	c.Marks = append(c.Marks, Mark{time.Now(), s.Speed})
	return e.watch(ctx, c, s.For, deadline)
}

var errInterrupted = errors.New("it was interrupted")

// watch looks at the fan for a while, and stops where its pressure says so.
func (e *Exercise) watch(ctx context.Context, c *Course, lasts time.Duration, deadline time.Time) error {
	end := time.Now().Add(lasts)
	for next := time.Now(); next.Before(end); next = next.Add(lookEvery) {
		select {
		case <-ctx.Done():
			return errInterrupted
		case <-time.After(time.Until(next)):
		}
		if err := e.look(ctx, c); err != nil {
			return err
		}
		if time.Now().After(deadline) {
			return fmt.Errorf("the time that the fan may be forced for (exercise_at_most, %s) is over", e.Fan.ExerciseAtMost)
		}
	}
	return nil
}

// look reads the fan once, and judges whether it may go on.
func (e *Exercise) look(ctx context.Context, c *Course) error {
	l, err := e.Driver.Look(ctx)
	if err != nil {
		return err
	}
	c.Looks = append(c.Looks, l)
	t := newTrace(e.Fan, 0, c.Looks[len(c.Looks)-1:])
	p := t.at(reading.Pressure, 0)
	switch {
	case e.Fan.Controlled() == reading.Pressure && math.IsNaN(p):
		return errors.New("its pressure has no good value")
	case t.at(reading.Fault, 0) == 1:
		return errors.New("its controller reports a fault")
	case t.at(reading.Enable, 0) == 0:
		return errors.New("it is not permitted to run: another system holds it")
	case e.Fan.AbortPressure != nil && beyondAbort(p, *e.Fan.AbortPressure):
		return fmt.Errorf("the pressure reached %.1f Pa, and abort_pressure is %.1f Pa", p, *e.Fan.AbortPressure)
	}
	return nil
}

// beyondAbort reports whether a pressure is at the limit or beyond it, away from zero.
func beyondAbort(p, limit float64) bool {
	if limit < 0 {
		return p <= limit
	}
	return p >= limit
}

// force writes a speed, and then that it counts.
func (e *Exercise) force(ctx context.Context, speed float64) error {
	place, _ := e.Fan.Placed(reading.ForceSpeed)
	if err := e.Driver.Write(ctx, place, place.Encoding.Encode(speed)); err != nil {
		return fmt.Errorf("force_speed was not taken: %w", err)
	}
	return e.switchOn(ctx, 1)
}

// switchOn writes force_on where the fan has it. One bit of a word is written
// with the others as they are.
func (e *Exercise) switchOn(ctx context.Context, on float64) error {
	place, mapped := e.Fan.Placed(reading.ForceOn)
	if !mapped {
		return nil
	}
	words := place.Encoding.Encode(on)
	if place.Encoding.Bit != decode.NoBit && !place.Table.Bits() {
		now, err := e.Driver.Read(ctx, place)
		if err != nil {
			return fmt.Errorf("the word of force_on could not be read before it was written: %w", err)
		}
		bit := uint16(1) << place.Encoding.Bit
		words = []uint16{now[0]&^bit | words[0]&bit}
	}
	if err := e.Driver.Write(ctx, place, words); err != nil {
		return fmt.Errorf("force_on was not taken: %w", err)
	}
	return nil
}

// release gives control back and reads back that it did.
func (e *Exercise) release(ctx context.Context) error {
	if err := e.switchOn(ctx, 0); err != nil {
		return err
	}
	if e.Fan.ForceRelease != nil {
		place, _ := e.Fan.Placed(reading.ForceSpeed)
		if err := e.Driver.Write(ctx, place, releaseWords(place, *e.Fan.ForceRelease)); err != nil {
			return fmt.Errorf("force_release was not taken: %w", err)
		}
	}
	return e.released(ctx)
}

// releaseWords are the raw value that gives control back, in the point's type and
// order.
func releaseWords(p config.PlacedPoint, raw float64) []uint16 {
	plain := decode.Encoding{Type: p.Encoding.Type, Order: p.Encoding.Order, Bit: decode.NoBit, Scale: 1}
	return plain.Encode(raw)
}

// released reads back that the fan is not forced.
func (e *Exercise) released(ctx context.Context) error {
	if place, mapped := e.Fan.Placed(reading.ForceOn); mapped {
		words, err := e.Driver.Read(ctx, place)
		if err != nil {
			return fmt.Errorf("force_on could not be read back: %w", err)
		}
		if v, _ := place.Encoding.Decode(words); v != 0 {
			return fmt.Errorf("force_on reads back on (%s) after it was written off", Hex(words))
		}
	}
	if e.Fan.ForceRelease != nil {
		place, _ := e.Fan.Placed(reading.ForceSpeed)
		words, err := e.Driver.Read(ctx, place)
		if err != nil {
			return fmt.Errorf("force_speed could not be read back: %w", err)
		}
		if want := releaseWords(place, *e.Fan.ForceRelease); !slices.Equal(words, want) {
			return fmt.Errorf("force_speed reads back %s after %s was written to release it", Hex(words), Hex(want))
		}
	}
	return nil
}

// giveBack gives control back, again and again if need be: no end of ctx ends it,
// only success or three minutes.
func (e *Exercise) giveBack(ctx context.Context, c *Course) error {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), giveBackFor)
	defer cancel()
	e.tell("giving control back")
	for {
		err := e.release(ctx)
		if err == nil {
			break
		}
		e.tell("not yet: %v", err)
		select {
		case <-ctx.Done():
			return fmt.Errorf("%s COULD NOT BE GIVEN BACK and may still be forced: %w", e.Fan.ID, err)
		case <-time.After(giveBackGap):
		}
	}
	c.Released = true
	c.Marks = append(c.Marks, Mark{time.Now(), math.NaN()})
	e.tell("given back, and it says so")
	return e.Done()
}

// Release gives a fan back that was left forced.
func (e *Exercise) Release(ctx context.Context) error {
	c := &Course{}
	return e.giveBack(ctx, c)
}

func (e *Exercise) tell(format string, args ...any) {
	if e.Tell != nil {
		e.Tell(format, args...)
	}
}
