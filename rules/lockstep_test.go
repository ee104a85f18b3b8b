package rules

import (
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// climbTo feeds a climb from standstill to the top in 200 s, and reports whether
// it was taken for a wrong sign.
func climbTo(read func(share, speed float64) float64) bool {
	f, l := &fan{cfg: &config.Fan{MaxSpeed: 1}}, lockstep{}
	found := false
	for i := -3; i <= 40; i++ {
		share := max(0, float64(i)/40)
		speed := share
		s := sample{now: int64(i+10) * int64(5*time.Second), step: 5 * time.Second, mode: condition.Controlling, speed: speed}
		s.demand = read(share, speed)
		s.value, s.level = s.demand, s.demand
		if f.mode.resting = i <= 0; i == 40 {
			s.mode = condition.AtMax
		}
		_, now := l.watch(f, &s, 75)
		found = found || now
	}
	return found
}

func TestASlowClimbInLockstepShowsAWrongSign(t *testing.T) {
	for _, c := range []struct {
		name string
		want bool
		read func(share, speed float64) float64
	}{
		{"square of the speed", true, func(_, speed float64) float64 { return -2 + 150*speed*speed }},
		{"within what branch fans push", false, func(_, speed float64) float64 { return 60 * speed * speed }},
		{"demand that rises evenly and overruns the fan", false, func(share, speed float64) float64 { return 400*share - 250*speed*speed }},
		{"demand that came as a step", false, func(share, speed float64) float64 { return 250*min(1, share*5) - 100*speed*speed }},
		{"the right sign", false, func(_, speed float64) float64 { return -150 * speed * speed }},
	} {
		if got := climbTo(c.read); got != c.want {
			t.Errorf("%s: found %v, want %v", c.name, got, c.want)
		}
	}
}
