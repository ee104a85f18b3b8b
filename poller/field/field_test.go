package field_test

import (
	"math"
	"slices"
	"testing"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// all reads every fan.
func all(f *field.Field) []reading.Reading {
	readings := make([]reading.Reading, len(f.Fleet().Fans))
	for i, fan := range f.Fleet().Fans {
		f.Reading(fan.ID, &readings[i])
	}
	return readings
}

func same(t *testing.T, a, b *field.Field, what string) {
	t.Helper()
	if !slices.Equal(all(a), all(b)) || !slices.Equal(a.Events(), b.Events()) || !a.Now().Equal(b.Now()) {
		t.Errorf("%s: two runs differ", what)
	}
}

func TestASeedGivesTheSameRun(t *testing.T) {
	a, b, other := newField(t, 12, 5), newField(t, 12, 5), newField(t, 12, 6)
	fault := field.Fault{Fan: "bath", Kind: field.OverFast, From: monday.Add(time.Hour), Until: monday.Add(2 * time.Hour)}
	for _, f := range []*field.Field{a, b} {
		if err := f.Put(fault); err != nil {
			t.Fatal(err)
		}
	}
	a.Step(8 * time.Hour)
	for i := range 8 * 60 { // looking and asking in any order changes nothing
		b.Step(time.Minute)
		fans := b.Fleet().Fans
		for j := range fans {
			b.Value(fans[(i*7+j*5)%len(fans)].ID, reading.Point((i+j)%reading.Points))
		}
	}
	same(t, a, b, "asked between")
	other.Step(8 * time.Hour)
	if slices.Equal(all(a), all(other)) {
		t.Error("another seed gives the same run")
	}
}

func TestOneFanRunsAsItDoesAmongOthers(t *testing.T) {
	many, one := newField(t, 12, 5), single(t, "night", 5)
	many.Step(8 * time.Hour)
	one.Step(8 * time.Hour)
	var a, b reading.Reading
	many.Reading("night", &a)
	one.Reading("night", &b)
	if a != b {
		t.Errorf("among others it reads %+v, alone %+v", a, b)
	}
}

func TestPiecesOfASecondAddUp(t *testing.T) {
	a, b := newField(t, 12, 5), newField(t, 12, 5)
	a.Step(50 * time.Minute)
	for range 3000 * 4 {
		b.Step(250 * time.Millisecond)
	}
	same(t, a, b, "a quarter of a second at a time")
	b.Step(400 * time.Millisecond)
	if got := b.Now().Sub(a.Now()); got != 400*time.Millisecond {
		t.Errorf("its clock went on by %s", got)
	}
	b.Step(-time.Hour)
	if got := b.Now().Sub(a.Now()); got != 400*time.Millisecond {
		t.Errorf("its clock went back: %s", got)
	}
}

func TestAStepDoesNotAllocate(t *testing.T) {
	f := newField(t, 50, 1)
	if n := testing.AllocsPerRun(600, func() { f.Step(time.Second) }); n != 0 {
		t.Errorf("%v allocations a second", n)
	}
}

// A reading comes as the registers would give it: on the counts of its point,
// and not farther from the value than half of one.
func TestReadingsAreRoundedAsTheirRegistersRound(t *testing.T) {
	f := newField(t, 12, 5)
	f.Step(8 * time.Hour)
	for _, fan := range f.Fleet().Fans {
		var r reading.Reading
		f.Reading(fan.ID, &r)
		if r.Fan != fan.ID || r.Gateway != fan.Gateway.ID || !r.Time.Equal(f.Now()) || r.Outcome != reading.OK {
			t.Errorf("%s is read as %+v", fan.ID, r)
		}
		for _, placed := range fan.Points {
			value, has := f.Value(fan.ID, placed.Point)
			got, good := r.Get(placed.Point)
			if placed.Point == reading.RestartRise && !fan.GoesIdle {
				if has || good {
					t.Errorf("%s never goes idle and has a restart rise", fan.ID)
				}
				continue
			}
			count := placed.Encoding.Scale * placed.Encoding.Unit.Factor
			if !has || !good || math.Abs(got-value) > 0.5*count+1e-4*math.Abs(value) {
				t.Errorf("%s of %s is %v and is read as %v", placed.Point, fan.ID, value, got)
			}
			if raw, _ := placed.Encoding.Decode(placed.Encoding.Encode(got)); math.Abs(raw-got) > 1e-9*(1+math.Abs(got)) {
				t.Errorf("%s of %s, %v, lies between counts", placed.Point, fan.ID, got)
			}
		}
	}
}

func TestWhatIsNotThereIsNotRead(t *testing.T) {
	f := newField(t, 12, 5)
	var r reading.Reading
	f.Reading("nobody", &r)
	if r != (reading.Reading{}) {
		t.Errorf("a fan that is not in the fleet is read as %+v", r)
	}
	for _, c := range []struct {
		fan   reading.FanID
		point reading.Point
	}{{"nobody", reading.Speed}, {"hood", reading.Pressure}, {"bath", reading.Airflow}, {"bath", reading.VelocityPressure},
		{"general", reading.VelocityPressure}, {"bath", reading.RestartRise}, {"hood", reading.IdleBelow}} {
		if v, ok := f.Value(c.fan, c.point); ok {
			t.Errorf("%s of %s is %v", c.point, c.fan, v)
		}
	}
}

func TestAForcedSpeedIsTakenAndGivenBack(t *testing.T) {
	f := newField(t, 12, 5)
	if !f.Write("bath", reading.ForceSpeed, 0.9) || !f.Write("bath", reading.ForceOn, 1) || f.Write("bath", reading.Speed, 1) ||
		f.Write("nobody", reading.ForceOn, 1) {
		t.Error("not the writes that a fan takes")
	}
	f.Step(2 * time.Minute)
	want(t, f, "bath", reading.Speed, 0.9, 1e-9)
	want(t, f, "bath", reading.Override, 1, 0)
	f.Write("bath", reading.ForceOn, 0)
	f.Step(5 * time.Minute)
	want(t, f, "bath", reading.Override, 0, 0)
	if v, _ := f.Value("bath", reading.Speed); v > 0.8 {
		t.Errorf("it stays at %v", v)
	}
}

func want(t *testing.T, f *field.Field, fan reading.FanID, p reading.Point, value, tolerance float64) {
	t.Helper()
	if got, ok := f.Value(fan, p); !ok || math.Abs(got-value) > tolerance {
		t.Errorf("%s of %s is %v at %s, want %v", p, fan, got, f.Now().Format(time.DateTime), value)
	}
}
