package turnover

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// Allowed reports why a fan may not be exercised; nil if it may.
//
// The duties that no tool drives follow NFPA 92 (smoke control), NFPA 96
// (commercial kitchens), ANSI/ASSP Z9.5 (laboratories), IMC 504 (shared dryer
// shafts) and IMC 404 (garages).
func Allowed(f *config.Fan) error {
	_, speed := f.Placed(reading.ForceSpeed)
	_, on := f.Placed(reading.ForceOn)
	_, pressure := f.Placed(reading.Pressure)
	switch {
	case f.LifeSafety:
		return errors.New("it is marked life_safety: nothing ever writes to it")
	case f.Duty == config.UnknownDuty:
		return errors.New("its duty is not known: say what it is for (duty = ...), so that nothing is driven that must not be")
	case !slices.Contains([]config.Duty{config.Bath, config.Laundry, config.General}, f.Duty):
		return fmt.Errorf("a fan of duty %q is not driven by a tool: local codes and licensed practice say how it is tested", f.Duty)
	case f.MinSpeed < f.StoppedBelow:
		return errors.New("its min_speed is a stop: write the lowest speed at which it runs")
	case !f.AllowExercise:
		return errors.New("the fleet file does not allow it: set allow_exercise = true if the owner agrees")
	case !speed:
		return errors.New("its point map has no force_speed to write")
	case !on && f.ForceRelease == nil && !onBACnet(f):
		return errors.New("nothing gives control back: map force_on, or give force_release, the raw value of force_speed that does")
	case f.AbortPressure != nil && !pressure:
		return errors.New("it has an abort_pressure, and no pressure is mapped to hold against it: map pressure, or remove abort_pressure")
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
	case !on && (!speed || f.ForceRelease == nil && !onBACnet(f)):
		return errors.New("nothing that gives control back is mapped: map force_on, or force_speed with force_release (on BACnet force_speed alone)")
	}
	return nil
}

// FitsIn reports why steps take longer than the fan may be forced for; nil if they
// do not.
func FitsIn(f *config.Fan, steps []Step, hold time.Duration) error {
	needs := 2*settle(hold) + giveBackTakes
	for _, s := range steps {
		needs += s.For
	}
	if needs <= f.ExerciseAtMost {
		return nil
	}
	return fmt.Errorf("its steps take %s, and it may be forced for %s (exercise_at_most): hold each speed for less with --step, or allow more", lasting(needs), lasting(f.ExerciseAtMost))
}

// holds reports why force_speed cannot hold the speeds of some steps: one that is
// rounded away would be another one, and the lowest a stop.
func holds(f *config.Fan, steps []Step) error {
	place, _ := f.Placed(reading.ForceSpeed)
	for _, s := range steps {
		v, q := place.Encoding.Decode(place.Encoding.Encode(s.Speed))
		if q != reading.Good || math.Abs(v-s.Speed) > rampStep/2+1e-9 && math.Abs(v-s.Speed) > 0.1*s.Speed {
			return fmt.Errorf("force_speed cannot hold %.0f %%, it would be written as %.0f %%: correct its type, scale or unit", 100*s.Speed, 100*v)
		}
	}
	if f.ForceRelease != nil {
		words := releaseWords(place, *f.ForceRelease)
		if v, _ := plain(place).Decode(words); v != *f.ForceRelease {
			return fmt.Errorf("force_speed cannot hold force_release, %v: correct it, or the type of the point", *f.ForceRelease)
		}
		for _, s := range steps {
			if slices.Equal(words, place.Encoding.Encode(s.Speed)) {
				return fmt.Errorf("force_release, %v, is %.0f %% to force_speed: it cannot be told from a forced speed", *f.ForceRelease, 100*s.Speed)
			}
		}
	}
	return nil
}

// plain is how a point's words mean a raw value.
func plain(p config.PlacedPoint) decode.Encoding {
	return decode.Encoding{Type: p.Encoding.Type, Order: p.Encoding.Order, Bit: decode.NoBit, Scale: 1}
}
