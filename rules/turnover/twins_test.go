package turnover

import (
	"math"
	"testing"
	"time"
)

// Two fans that are not told apart are not forced: where both stand still and read
// the same, and where every second answer of the second is of a moment later. Fans
// that differ, or read the same by chance, are.
func TestTwinsAreDoubtful(t *testing.T) {
	for name, c := range map[string]struct {
		one, two func(k int) (pressure, speed float64)
		doubtful bool
	}{
		"both at rest":       {func(int) (float64, float64) { return 0, 0 }, func(int) (float64, float64) { return 0, 0 }, true},
		"both still":         {func(int) (float64, float64) { return -30, 0.5 }, func(int) (float64, float64) { return -30, 0.5 }, true},
		"one at rest":        {func(int) (float64, float64) { return 0, 0 }, func(int) (float64, float64) { return -30, 0.5 }, false},
		"often alike":        {wave(0), func(k int) (float64, float64) { return wave(k % 2)(k) }, true},
		"each its own":       {wave(0), wave(7), false},
		"two steps by turns": {func(k int) (float64, float64) { return -30, 0.5 + 0.1*float64(k%2) }, func(k int) (float64, float64) { return -30, 0.5 + 0.1*float64(k/2%2) }, false},
	} {
		one, two := newBench(t), newBench(t)
		proven := []Fan{{Fan: one.fan}, {Fan: two.fan}}
		twins([]*trace{one.saw(c.one), two.saw(c.two)}, proven)
		for _, f := range proven {
			if (f.Doubt != "") != c.doubtful {
				t.Errorf("%s: %q", name, f.Doubt)
			}
		}
	}
}

// wave is a fan that controls, some looks late.
func wave(late int) func(k int) (float64, float64) {
	return func(k int) (float64, float64) {
		at := float64(k + late)
		return -30 + 3*math.Sin(at), 0.5 + 0.02*math.Sin(at/3)
	}
}

// saw is the trace of a fan at twenty looks.
func (b *bench) saw(reads func(k int) (pressure, speed float64)) *trace {
	var looks []Look
	for k := range 20 {
		pressure, speed := reads(k)
		b.own, b.sign = speed, 0
		b.pressure = func() float64 { return pressure }
		l, _ := b.Look(b.Context())
		l.Time = time.Unix(int64(k), 0)
		looks = append(looks, l)
	}
	return newTrace(b.fan, 0, looks)
}
