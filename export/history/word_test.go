package history

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// sameContact tells whether a contact says the same in both, where "mapped and
// not good" is one thing.
func sameContact(a, b *reading.Reading, p reading.Point) bool {
	return a.On(p) == b.On(p) && a.Off(p) == b.Off(p) &&
		(a.Quality(p) == reading.NotMapped) == (b.Quality(p) == reading.NotMapped)
}

// bad draws why a point has no value.
var bad = rapid.SampledFrom([]reading.Quality{reading.Stale, reading.Marked, reading.Unanswered, reading.Faulty,
	reading.OutOfService, reading.Overridden, reading.OtherUnit})

func draw(t *rapid.T, controlled reading.Point) (reading.Reading, condition.Mode) {
	r := reading.Reading{Outcome: reading.Outcome(rapid.IntRange(0, reading.Outcomes-1).Draw(t, "outcome"))}
	for _, p := range contacts {
		switch rapid.IntRange(0, 3).Draw(t, p.String()) {
		case 1:
			r.Set(p, 0)
		case 2:
			r.Set(p, 1)
		case 3:
			r.Mark(p, bad.Draw(t, "why"))
		}
	}
	if rapid.Bool().Draw(t, "has speed") {
		r.Set(reading.Speed, rapid.Float64Range(0, 6).Draw(t, "speed"))
	} else {
		r.Mark(reading.Speed, bad.Draw(t, "why no speed"))
	}
	if rapid.Bool().Draw(t, "has value") {
		r.Set(controlled, rapid.Float64Range(-2000, 2000).Draw(t, "value"))
	}
	return r, condition.Mode(rapid.IntRange(0, condition.Modes-1).Draw(t, "mode"))
}

func TestAWordTellsWhatWasPutIn(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		controlled := rapid.SampledFrom([]reading.Point{reading.Pressure, reading.Airflow}).Draw(t, "controlled")
		in, mode := draw(t, controlled)
		w := pack(&in, controlled, mode)
		if f := math.Float64frombits(uint64(w)); math.IsNaN(f) || math.IsInf(f, 0) {
			t.Fatalf("%x is no number", uint64(w))
		}
		var out reading.Reading
		w.unpack(&out, controlled)
		if out.Outcome != in.Outcome || w.mode() != mode {
			t.Fatalf("outcome %s, mode %s", out.Outcome, w.mode())
		}
		for _, p := range contacts {
			if !sameContact(&in, &out, p) {
				t.Fatalf("%s became %s", p, out.Quality(p))
			}
		}
		near(t, &in, &out, reading.Speed, 0.5/speedCounts)
		near(t, &in, &out, controlled, 0.5/counts(controlled))
	})
}

func near(t *rapid.T, in, out *reading.Reading, p reading.Point, most float64) {
	a, had := in.Get(p)
	b, has := out.Get(p)
	if had != has || math.Abs(a-b) > most*1.0001 {
		t.Fatalf("%s %v %v became %v %v", p, a, had, b, has)
	}
}

// What is beyond the range of a word is kept as its end, with its sign, and never
// as no value.
func TestTheEndsOfAWord(t *testing.T) {
	for _, v := range []float64{1e9, -1e9, math.Inf(1), math.Inf(-1), math.MaxFloat64} {
		var r reading.Reading
		r.Set(reading.Pressure, v)
		r.Set(reading.Speed, math.Abs(v))
		w := pack(&r, reading.Pressure, condition.Unknown)
		got, good := w.value(pressureCounts)
		if !good || math.Signbit(got) != math.Signbit(v) || math.Abs(got) < 131_000 {
			t.Errorf("%g became %g, %v", v, got, good)
		}
		if speed, good := w.speed(); !good || speed < 6.5 {
			t.Errorf("a speed of %g became %g, %v", v, speed, good)
		}
	}
	var r reading.Reading
	r.Set(reading.Pressure, math.NaN())
	r.Set(reading.Speed, math.NaN())
	w := pack(&r, reading.Pressure, condition.Unknown)
	if _, good := w.value(pressureCounts); good {
		t.Error("a NaN is a value")
	}
	if _, good := w.speed(); good {
		t.Error("a NaN is a speed")
	}
}
