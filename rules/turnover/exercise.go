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
	"fanwarden/poller/units"
)

// Driver is the way to one fan that is exercised. It opens its connection again by
// itself: after one is lost, the next call tries anew.
type Driver interface {
	// Look reads all of Points(fan).
	Look(ctx context.Context) (Look, error)
	// Read and Write are of one point. Only ForceSpeed and ForceOn are written. Of
	// these on BACnet Read returns what stands at the point's priority, nil where
	// nothing does, and Write of nil relinquishes that.
	Read(ctx context.Context, p config.PlacedPoint) ([]uint16, error)
	Write(ctx context.Context, p config.PlacedPoint, words []uint16) error
}

// Exercise forces a fan through steps of speed and gives it back to its own
// controller, whatever happens.
type Exercise struct {
	Fan    *config.Fan
	Driver Driver
	Steps  []Step
	// Hold is how long a speed is held; what an exercise waits for otherwise follows
	// from it. Zero is DefaultHold.
	Hold  time.Duration
	Units units.System // of what is told
	// Intend is called before the first write, and its error means that nothing is
	// written: that somebody is about to force this fan must be known to whoever
	// comes after a crash. Done is called once the fan was given back and said so.
	Intend func() error
	Done   func() error
	// Tell is told what is done, for people who watch; nil: nobody.
	Tell func(format string, args ...any)

	began   time.Time // before the first write
	touched bool      // something was written that may have changed the fan
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
	Looks  []Look
	Marks  []Mark
	Hold   time.Duration // that the exercise was made with
	Forced time.Duration // from the first write until the fan said that it is free
	// Stopped says why the steps were not all taken; "" if they were.
	Stopped string
	// Released reports whether the fan was given back and said so.
	Released bool
}

// How an exercise goes. (Engineering choices.)
const (
	giveBackFor   = 3 * time.Minute
	giveBackGap   = 2 * time.Second
	giveBackTakes = 10 * time.Second // kept of the time that a fan may be forced for, to give it back in
	follows       = 0.03             // points of speed by which a forced one may be missed
	longestGap    = 30 * time.Second // between two looks; after a longer one nobody knows who has come to the fan
)

// The ways in which an exercise ends early that are not the fan's.
var (
	errInterrupted = errors.New("it was interrupted")
	errTimeOver    = errors.New("the time that the fan may be forced for is over (exercise_at_most)")
)

// Run exercises the fan. It returns when the fan was given back, or when that
// could not be had within three minutes: then Course.Released is false, the
// intent stands, and the error says so. When ctx ends, the steps end, and control
// is given back all the same. A course of nil means that the fan was never forced.
func (e *Exercise) Run(ctx context.Context) (*Course, error) {
	if err := Allowed(e.Fan); err != nil {
		return nil, err
	}
	c := &Course{Hold: e.hold()}
	if err := e.ready(ctx, c); err != nil {
		return nil, fmt.Errorf("nothing was written: %w", err)
	}
	if err := e.Intend(); err != nil {
		return nil, fmt.Errorf("nothing was written, because what is about to be done could not be put on disk: %w", err)
	}
	e.began = time.Now()
	err := e.drive(ctx, c)
	if err != nil && !e.touched {
		return nil, errors.Join(fmt.Errorf("the fan was not forced: %w", err), e.Done())
	}
	if err != nil {
		c.Stopped = err.Error()
		e.tell("stopped: %v", err)
	}
	if err := e.giveBack(ctx, c); err != nil {
		return c, err
	}
	e.lookOn(ctx, c)
	return c, nil
}

func (e *Exercise) hold() time.Duration {
	if e.Hold == 0 {
		return DefaultHold
	}
	return e.Hold
}

// ready wants a fan that can be read, that nobody else forces, and whose outputs
// can hold what is to be written.
func (e *Exercise) ready(ctx context.Context, c *Course) error {
	if err := e.look(ctx, c); err != nil {
		return err
	}
	if err := holds(e.Fan, e.Steps); err != nil {
		return err
	}
	if newTrace(e.Fan, e.Units, c.Looks).at(reading.Override, 0) == 1 {
		return errors.New("its controller says that its speed is forced already (override): find out by whom")
	}
	if err := e.free(ctx); err != nil {
		return fmt.Errorf("it cannot be seen to be free: %w; if nobody forces it, give it back first with --release", err)
	}
	return nil
}

// drive proves the release and then takes the steps, within the time that the fan
// may be forced for less that of giving it back.
func (e *Exercise) drive(ctx context.Context, c *Course) error {
	ctx, cancel := context.WithTimeoutCause(ctx, e.Fan.ExerciseAtMost-giveBackTakes, errTimeOver)
	defer cancel()
	if err := e.release(ctx); err != nil {
		return why(ctx, fmt.Errorf("the release could not be proven before the fan was forced: %w", err))
	}
	if err := e.proveRelease(ctx, c); err != nil {
		return err
	}
	for _, s := range e.Steps {
		if err := e.take(ctx, c, s); err != nil {
			return err
		}
	}
	return nil
}

// proveRelease forces the speed that the fan has anyway, and gives it back,
// before anything further is asked of it.
func (e *Exercise) proveRelease(ctx context.Context, c *Course) error {
	now := newTrace(e.Fan, e.Units, c.Looks).at(reading.Speed, len(c.Looks)-1)
	gentle := Step{Speed: min(max(now, e.Fan.MinSpeed), e.Fan.MaxSpeed), For: settle(e.hold())}
	e.tell("proving the release at %.0f %%, as near as may be to where the fan is", 100*gentle.Speed)
	if err := e.take(ctx, c, gentle); err != nil {
		return err
	}
	if err := e.release(ctx); err != nil {
		return why(ctx, fmt.Errorf("the release could not be proven: %w", err))
	}
	c.Marks = append(c.Marks, Mark{time.Now(), math.NaN()})
	return e.watch(ctx, c, settle(e.hold()))
}

// take forces one speed for a while. It does not begin what cannot be ended in
// time.
func (e *Exercise) take(ctx context.Context, c *Course, s Step) error {
	if ctx.Err() != nil {
		return why(ctx, nil)
	}
	if end, bounded := ctx.Deadline(); bounded && time.Until(end) < s.For {
		return errTimeOver
	}
	e.tell("forcing %.0f %%", 100*s.Speed)
	if err := e.force(ctx, s.Speed); err != nil {
		return why(ctx, err)
	}
	c.Marks = append(c.Marks, Mark{time.Now(), s.Speed})
	return e.watch(ctx, c, s.For)
}

// force writes a speed, and then that it counts.
func (e *Exercise) force(ctx context.Context, speed float64) error {
	place, _ := e.Fan.Placed(reading.ForceSpeed)
	if err := e.write(ctx, place, place.Encoding.Encode(speed)); err != nil {
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
		now, err := e.read(ctx, place)
		if err != nil {
			return fmt.Errorf("the word of force_on could not be read before it was written: %w", err)
		}
		bit := uint16(1) << place.Encoding.Bit
		words = []uint16{now[0]&^bit | words[0]&bit}
	}
	if err := e.write(ctx, place, words); err != nil {
		return fmt.Errorf("force_on was not taken: %w", err)
	}
	return nil
}

// release gives control back and reads back that it did.
func (e *Exercise) release(ctx context.Context) error {
	if onBACnet(e.Fan) {
		return e.relinquish(ctx)
	}
	if err := e.switchOn(ctx, 0); err != nil {
		return err
	}
	if e.Fan.ForceRelease != nil {
		place, _ := e.Fan.Placed(reading.ForceSpeed)
		if err := e.write(ctx, place, releaseWords(place, *e.Fan.ForceRelease)); err != nil {
			return fmt.Errorf("force_release was not taken: %w", err)
		}
	}
	return e.released(ctx)
}

// write writes a point, and once more where nothing answered: what is written
// does not depend on what was there before.
func (e *Exercise) write(ctx context.Context, p config.PlacedPoint, words []uint16) error {
	err := e.Driver.Write(ctx, p, words)
	if err != nil && !refused(err) && ctx.Err() == nil {
		err = e.Driver.Write(ctx, p, words)
	}
	e.touched = e.touched || !refused(err)
	return err
}

// read reads a point, and once more where nothing answered.
func (e *Exercise) read(ctx context.Context, p config.PlacedPoint) ([]uint16, error) {
	words, err := e.Driver.Read(ctx, p)
	if err != nil && !refused(err) && ctx.Err() == nil {
		words, err = e.Driver.Read(ctx, p)
	}
	return words, err
}

// refused reports whether an error is the device's own word that it did nothing. A
// gateway whose device did not answer knows no more than who asked (exception 0B),
// and an acknowledgement says that the device is about to (05; Modbus Application
// Protocol V1.1b3, section 7).
func refused(err error) bool {
	var f *reading.Failure
	return errors.As(err, &f) && f.Code != 0 && f.Code != 0x05 && f.Code != 0x0B
}

// releaseWords are the raw value that gives control back, in the point's type and
// order.
func releaseWords(p config.PlacedPoint, raw float64) []uint16 { return plain(p).Encode(raw) }

// released reads back that the fan is not forced, by all that a release writes.
func (e *Exercise) released(ctx context.Context) error {
	if _, mapped := e.Fan.Placed(reading.ForceOn); mapped {
		if err := e.readsOff(ctx); err != nil {
			return fmt.Errorf("after the release: %w", err)
		}
	}
	if e.Fan.ForceRelease != nil {
		if err := e.readsReleased(ctx); err != nil {
			return fmt.Errorf("after the release: %w", err)
		}
	}
	return nil
}

// free reads whether somebody forces the fan: force_on says so where there is one.
func (e *Exercise) free(ctx context.Context) error {
	if onBACnet(e.Fan) {
		return e.relinquished(ctx)
	}
	if _, mapped := e.Fan.Placed(reading.ForceOn); mapped {
		return e.readsOff(ctx)
	}
	return e.readsReleased(ctx)
}

func (e *Exercise) readsOff(ctx context.Context) error {
	place, _ := e.Fan.Placed(reading.ForceOn)
	words, err := e.read(ctx, place)
	if err != nil {
		return fmt.Errorf("force_on could not be read: %w", err)
	}
	if v, _ := place.Encoding.Decode(words); v != 0 {
		return fmt.Errorf("force_on reads on (%s)", Hex(words))
	}
	return nil
}

func (e *Exercise) readsReleased(ctx context.Context) error {
	place, _ := e.Fan.Placed(reading.ForceSpeed)
	words, err := e.read(ctx, place)
	if err != nil {
		return fmt.Errorf("force_speed could not be read: %w", err)
	}
	if want := releaseWords(place, *e.Fan.ForceRelease); !slices.Equal(words, want) {
		return fmt.Errorf("force_speed reads %s, and %s is what releases it", Hex(words), Hex(want))
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
	c.Released, c.Forced = true, time.Since(e.began)
	c.Marks = append(c.Marks, Mark{time.Now(), math.NaN()})
	e.tell("given back, and it says so")
	return e.Done()
}

// Release gives a fan back that was left forced.
func (e *Exercise) Release(ctx context.Context) error {
	e.began = time.Now()
	return e.giveBack(ctx, &Course{})
}

func (e *Exercise) tell(format string, args ...any) {
	if e.Tell != nil {
		e.Tell(format, args...)
	}
}
