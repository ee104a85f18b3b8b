package turnover

import (
	"slices"
	"time"

	"fanwarden/config"
)

// DefaultHold is how long each speed is held where nothing else is asked for:
// a controller takes a few seconds to follow, and a wheel and a duct some more to
// settle. (Engineering choice.) LeastHold is the shortest.
const (
	DefaultHold = 20 * time.Second
	LeastHold   = time.Second
)

// settle is how long a speed must have been held to be gone by.
func settle(hold time.Duration) time.Duration { return hold / 2 }

// lookEvery is how often a fan is looked at while it is exercised.
func lookEvery(hold time.Duration) time.Duration { return min(hold/20, time.Second) }

// How finely the speed is led past the contact's threshold, and how far beyond
// it. (Engineering choices; a step lasts three looks.)
const (
	rampStep = 0.01
	rampSpan = 0.06
)

// Steps are those of a fan: from its lowest speed to its top and back in quarters,
// slowly past the threshold of its high-speed contact both ways, and to a stop
// only where that is asked for.
func Steps(f *config.Fan, toStop bool, hold time.Duration) []Step {
	quarter := (f.MaxSpeed - f.MinSpeed) / 4
	var up []Step
	for i := range 5 {
		up = append(up, Step{f.MinSpeed + float64(i)*quarter, hold})
	}
	ramp := ramp(f, hold)
	up = slices.DeleteFunc(up, func(s Step) bool { return within(ramp, s.Speed) && s != up[0] && s != up[4] })
	up = merged(up, ramp)
	down := slices.Clone(up)
	slices.Reverse(down)
	steps := append(up, down[1:]...)
	if toStop {
		steps = append(steps, Step{0, hold})
	}
	return steps
}

// ramp leads the speed up past the threshold, a point at a time, within the limits.
func ramp(f *config.Fan, hold time.Duration) []Step {
	if !f.HasHighSpeed {
		return nil
	}
	low, high := max(min(f.HighSpeedAt, f.HighSpeedOffAt)-rampSpan, f.MinSpeed), min(f.HighSpeedAt+rampSpan, f.MaxSpeed)
	var steps []Step
	for i := 0; low+float64(i)*rampStep <= high+1e-9; i++ {
		steps = append(steps, Step{low + float64(i)*rampStep, 3*lookEvery(hold) + f.HighSpeedDelay})
	}
	return steps
}

// within reports whether a speed lies where a ramp leads past.
func within(ramp []Step, speed float64) bool {
	return len(ramp) > 0 && speed >= ramp[0].Speed-rampStep && speed <= ramp[len(ramp)-1].Speed+rampStep
}

// merged puts a ramp between the steps below and those above it, so that the speed
// only ever rises.
func merged(up, ramp []Step) []Step {
	if len(ramp) == 0 {
		return up
	}
	at := slices.IndexFunc(up, func(s Step) bool { return s.Speed > ramp[len(ramp)-1].Speed-1e-9 })
	if at < 0 {
		at = len(up)
	}
	return slices.Concat(up[:at], ramp, up[at:])
}
