package turnover

import (
	"time"

	"fanwarden/config"
)

// How long a step lasts, and how fine the speed is led past the contact's
// threshold. (Engineering choices.)
const (
	stepFor  = 20 * time.Second
	rampFor  = 3 * time.Second
	rampStep = 0.01
	rampSpan = 0.06
)

// Steps are those of a fan: from its lowest speed to its top and back in quarters,
// slowly past the threshold of its high-speed contact both ways, and to a stop
// only where that is asked for.
func Steps(f *config.Fan, toStop bool) []Step {
	quarter := (f.MaxSpeed - f.MinSpeed) / 4
	var up []Step
	for i := range 5 {
		up = append(up, Step{f.MinSpeed + float64(i)*quarter, stepFor})
	}
	steps := withRamp(f, up, true)
	down := []Step{}
	for i := range up[:4] {
		down = append(down, up[3-i])
	}
	steps = append(steps, withRamp(f, down, false)...)
	if toStop {
		steps = append(steps, Step{0, stepFor})
	}
	return steps
}

// withRamp puts the slow passage past the threshold where it belongs.
func withRamp(f *config.Fan, steps []Step, up bool) []Step {
	if !f.HasHighSpeed {
		return steps
	}
	var all []Step
	done := false
	for _, s := range steps {
		if !done && (up && s.Speed >= f.HighSpeedAt || !up && s.Speed <= f.HighSpeedOffAt) {
			all, done = append(all, ramp(f, up)...), true
		}
		all = append(all, s)
	}
	if !done {
		all = append(all, ramp(f, up)...)
	}
	return all
}

// ramp leads the speed past the threshold, a point at a time, within the limits.
func ramp(f *config.Fan, up bool) []Step {
	low, high := min(f.HighSpeedAt, f.HighSpeedOffAt)-rampSpan, f.HighSpeedAt+rampSpan
	var steps []Step
	for v := max(low, f.MinSpeed); v <= min(high, f.MaxSpeed)+1e-9; v += rampStep {
		steps = append(steps, Step{v, rampFor + f.HighSpeedDelay})
	}
	if !up {
		for i, j := 0, len(steps)-1; i < j; i, j = i+1, j-1 {
			steps[i], steps[j] = steps[j], steps[i]
		}
	}
	return steps
}
