package rules

import (
	"math"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// climbTo feeds a climb from standstill to the top in 200 s and ten minutes
// there, and reports whether it was taken for a wrong sign.
func climbTo(probe config.Side, read func(share, speed float64) float64) bool {
	f, l := &fan{cfg: &config.Fan{MaxSpeed: 1, Probe: probe}}, lockstep{}
	found := false
	var level filter
	for i := -20; i <= 160; i++ {
		share := min(1, max(0, float64(i)/40))
		s := sample{now: int64(i+30) * int64(5*time.Second), step: 5 * time.Second, gap: 20 * time.Second,
			mode: condition.Controlling, speed: share, target: -20, tolerance: 5}
		s.demand = read(float64(i)/40, share)
		s.value, s.level = s.demand, level.feed(s.demand, s.step, smoothing)
		if f.mode.resting = i <= 0; i >= 40 {
			s.mode = condition.AtMax
		}
		_, now := l.watch(f, &s, 75, wait{hold: 3 * time.Minute, grace: signGrace, exit: signExit})
		found = found || now
	}
	return found
}

func TestAClimbInLockstepShowsAWrongSign(t *testing.T) {
	suction, discharge := config.Suction, config.Discharge
	for _, c := range []struct {
		name  string
		probe config.Side
		want  bool
		read  func(share, speed float64) float64
	}{
		{"square of the speed", suction, true, func(_, speed float64) float64 { return -2 + 150*speed*speed }},
		{"the same to where branch fans push", suction, true, func(_, speed float64) float64 { return -5 + 60*speed*speed }},
		{"hardly any", suction, false, func(_, speed float64) float64 { return 15 * speed * speed }},
		{"roughly, on the discharge side", discharge, true, func(_, speed float64) float64 { return 55 * math.Pow(speed, 1.7) }},
		{"from past the restart point", suction, false, func(_, speed float64) float64 { return 10 + 50*speed*speed }},
		{"that does not stand", suction, false, func(share, speed float64) float64 { return 60*speed*speed - 30*step01(share > 1.3) }},
		{"demand that rises evenly and overruns the fan", suction, false,
			func(share, speed float64) float64 { return 400*min(1, max(0, share)) - 250*speed*speed }},
		{"demand that rises with the speed", suction, false, func(share, _ float64) float64 { return 45 * min(1, max(0, share)) }},
		{"demand that came as a step", suction, false,
			func(share, speed float64) float64 { return 250*min(1, max(0, share*5)) - 100*speed*speed }},
		{"the right sign", suction, false, func(_, speed float64) float64 { return -150 * speed * speed }},
	} {
		if got := climbTo(c.probe, c.read); got != c.want {
			t.Errorf("%s: found %v, want %v", c.name, got, c.want)
		}
	}
}
