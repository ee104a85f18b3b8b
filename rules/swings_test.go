package rules

import (
	"math"
	"math/rand/v2"
	"testing"
)

// Check values: Hagglund 1995, Control Engineering Practice 3:1543-1551. A sine
// of amplitude A and period T has an integral of A T / pi a half-cycle, so with
// T = 60 s and a = 0.01 the limit is 0.19099.
func TestLoadDisturbances(t *testing.T) {
	const period, a = 60.0, 0.01
	if got := loadLimit(a, period); math.Abs(got-0.19099) > 1e-5 {
		t.Errorf("limit is %v, want 0.19099", got)
	}
	for amplitude, want := range map[float64]bool{0.0099: false, 0.0101: true} {
		const step = 0.001
		var h halfCycle
		n := 0
		for at := step / 2; at < 10*period; at += step {
			over, ended := h.feed(amplitude*math.Sin(2*math.Pi*at/period), 0)
			if !ended {
				continue
			}
			n++
			if got := over.area*step > loadLimit(a, period); got != want {
				t.Errorf("amplitude %v: half-cycle %d counts: %v", amplitude, n, got)
			}
			if integral := over.area * step; math.Abs(integral-amplitude*period/math.Pi) > 1e-6 {
				t.Errorf("amplitude %v: integral %v, want %v", amplitude, integral, amplitude*period/math.Pi)
			}
		}
		if n != 19 {
			t.Errorf("%d half-cycles", n)
		}
	}
}

// The limit for a few samples is that of the integral once they are many.
func TestTheLimitOfSamplesIsThatOfTheIntegral(t *testing.T) {
	for n, want := range map[int]float64{1: 1, 2: math.Sqrt2, 3: 2, 1000: loadLimit(1, 2000)} {
		if got := sampledLimit(1, n); math.Abs(got-want) > 1e-3*want {
			t.Errorf("%d samples: limit %v, want %v", n, got, want)
		}
	}
}

// Thornhill and Hagglund 1997, Control Engineering Practice 5(10):1343-1354:
// r = mean / (3 sigma), regular if r > 1. The figures are worked by hand.
func TestRegularity(t *testing.T) {
	for _, c := range []struct {
		intervals []float64
		want      float64
	}{
		{[]float64{9, 10, 11}, 10.0 / 3},
		{[]float64{6, 10, 14}, 10.0 / 12},
		{[]float64{7, 10, 13}, 10.0 / 9},
		{[]float64{5, 5, 5, 5}, math.Inf(1)},
	} {
		if got := regularity(c.intervals); got != c.want && math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v: r is %v, want %v", c.intervals, got, c.want)
		}
	}
}

// Miao and Seborg 1999: R = a/b. Of extrema that fade by d from one to the next
// it is d, by the geometry of its definition.
func TestDecayRatio(t *testing.T) {
	for _, d := range []float64{1, 0.8, 0.5, 0.2} {
		if got := decayRatio(-d, d*d, -d*d*d); math.Abs(got-d) > 1e-12 {
			t.Errorf("extrema that fade by %v: R is %v", d, got)
		}
	}
}

// gusts is noise with a correlation time, in samples.
func gustsOf(rnd *rand.Rand, n int, correlation float64) []float64 {
	x := make([]float64, n)
	for i := 1; i < n; i++ {
		x[i] = x[i-1]*(1-1/correlation) + rnd.NormFloat64()
	}
	return x
}

func TestRhythm(t *testing.T) {
	rnd := rand.New(rand.NewPCG(5, 5))
	noise := func() float64 { return 0.3 * rnd.NormFloat64() }
	made := func(n int, of func(i float64) float64) []float64 {
		x := make([]float64, n)
		for i := range x {
			x[i] = of(float64(i))
		}
		return x
	}
	wave := func(i, period float64) float64 { return math.Sin(2*math.Pi*i/period + 0.4) }
	for name, c := range map[string]struct {
		x      []float64
		period float64 // 0: not regular
	}{
		"a sine":                {made(96, func(i float64) float64 { return wave(i, 16) }), 16},
		"three samples":         {made(96, func(i float64) float64 { return wave(i, 3) }), 3},
		"back and forth":        {made(96, func(i float64) float64 { return math.Cos(math.Pi * i) }), 2},
		"on a slope":            {made(96, func(i float64) float64 { return wave(i, 12) + i/5 }), 12},
		"from limit to limit":   {made(96, func(i float64) float64 { return math.Copysign(1, wave(i, 13)) }), 13},
		"a sine in noise":       {made(96, func(i float64) float64 { return wave(i, 9) + noise() }), 9},
		"a short record":        {made(60, func(i float64) float64 { return wave(i, 10) }), 10},
		"struck and settling":   {made(96, func(i float64) float64 { return wave(i, 10) * math.Pow(0.55, i/5) }), 0},
		"struck again":          {made(96, func(i float64) float64 { return wave(i, 10) * math.Pow(0.55, math.Mod(i, 37)/5) }), 0},
		"noise":                 {made(96, func(float64) float64 { return noise() }), 0},
		"gusts":                 {gustsOf(rnd, 96, 6), 0},
		"one value":             {made(96, func(float64) float64 { return 3 }), 0},
		"a ramp":                {made(96, func(i float64) float64 { return i }), 0},
		"nothing":               {nil, 0},
		"a number out of reach": {made(96, func(i float64) float64 { return math.MaxFloat64 * wave(i, 9) }), 0},
	} {
		got := rhythmOf(c.x)
		switch {
		case got.regular() != (c.period > 0):
			t.Errorf("%s: %+v", name, got)
		case got.regular() && math.Abs(got.period-c.period) > 0.05*c.period:
			t.Errorf("%s: period %v, want %v", name, got.period, c.period)
		}
	}
}

// TestGustsAreSeldomRegular counts how often chance alone looks like a rhythm.
// A count of twelve load disturbances has to come before, and a hold after.
func TestGustsAreSeldomRegular(t *testing.T) {
	rnd := rand.New(rand.NewPCG(6, 6))
	found, of := 0, 4000
	for i := range of {
		if rhythmOf(gustsOf(rnd, swingSamples, 1+float64(i%12))).regular() {
			found++
		}
	}
	if found > of/500 {
		t.Errorf("%d of %d records of gusts are called regular", found, of)
	}
	t.Logf("%d of %d", found, of)
}

func BenchmarkRhythm(b *testing.B) {
	var x, y [swingSamples]float64
	for i := range x {
		x[i] = math.Sin(float64(i) * 0.4)
	}
	b.ReportAllocs()
	for b.Loop() {
		y = x
		rhythmOf(y[:])
	}
}
