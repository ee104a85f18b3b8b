package history

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules/condition"
)

// A folder that is damaged leaves two goroutines of the library behind, once.
func TestMain(m *testing.M) {
	if childOf := os.Getenv(childDir); childOf != "" {
		recordForEver(childOf)
	}
	goleak.VerifyTestMain(m, goleak.IgnoreTopFunction("github.com/prometheus/prometheus/tsdb/wlog.(*WL).run"))
}

var start = time.Date(2026, 1, 5, 6, 0, 0, 0, time.UTC)

const month = 30 * 24 * time.Hour

func fan(id string) *config.Fan { return &config.Fan{ID: reading.FanID(id)} }

// begun opens a store that ends with the test.
func begun(t testing.TB, o Options) *Store {
	t.Helper()
	if o.Dir == "" {
		o.Dir = t.TempDir()
	}
	if o.Keep == 0 {
		o.Keep = month
	}
	s := Open(o)
	s.setUp(s.Flush()) // which opens the folder, unless the store itself was faster
	t.Cleanup(func() { s.closeOnce() })
	return s
}

func (s *Store) closeOnce() {
	select {
	case <-s.done:
	default:
		s.Close()
	}
}

func at(id string, t time.Time, pressure, speed float64) *reading.Reading {
	r := &reading.Reading{Fan: reading.FanID(id), Time: t}
	r.Set(reading.Pressure, pressure)
	r.Set(reading.Speed, speed)
	return r
}

func flush(t testing.TB, s *Store) {
	t.Helper()
	if err := s.Flush(); err != nil {
		t.Fatal(err)
	}
}

func trend(t testing.TB, s *Store, id string, from, to time.Time, step time.Duration) *export.Trend {
	t.Helper()
	got, err := s.Trend(t.Context(), reading.FanID(id), reading.Pressure, from, to, step)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestASpikeIsNotAveragedAway(t *testing.T) {
	s := begun(t, Options{})
	for i := range 720 {
		pressure := -30.0
		if i == 333 {
			pressure = 250
		}
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*5*time.Second), pressure, 0.5), condition.Controlling)
	}
	flush(t, s)
	got := trend(t, s, "ef1", start, start.Add(time.Hour), time.Hour)
	if len(got.Buckets) != 1 {
		t.Fatalf("%d steps", len(got.Buckets))
	}
	b := got.Buckets[0]
	want := export.Extent{Count: 720, Min: -30, Max: 250, First: -30, Last: -30, Average: (-30*719 + 250) / 720.0}
	if math.Abs(b.Value.Average-want.Average) > 1e-9 {
		t.Errorf("average %g, want %g", b.Value.Average, want.Average)
	}
	if b.Value.Average = want.Average; b.Value != want {
		t.Errorf("%+v", b.Value)
	}
	if b.Readings != 720 || b.Modes[condition.Controlling] != 720 || b.Outcomes[reading.OK] != 720 {
		t.Errorf("%+v", b)
	}
}

func TestAGapIsNoBucket(t *testing.T) {
	s := begun(t, Options{})
	s.Record(fan("ef1"), at("ef1", start, -30, 0.5), condition.Controlling)
	s.Record(fan("ef1"), &reading.Reading{Fan: "ef1", Time: start.Add(20 * time.Minute), Outcome: reading.Timeout}, condition.Unknown)
	flush(t, s)
	got := trend(t, s, "ef1", start, start.Add(time.Hour), 10*time.Minute).Buckets
	if len(got) != 2 || !got[0].Start.Equal(start) || !got[1].Start.Equal(start.Add(20*time.Minute)) {
		t.Fatalf("%+v", got)
	}
	if got[1].Value.Count != 0 || got[1].Outcomes[reading.Timeout] != 1 || got[1].SetpointKnown {
		t.Errorf("%+v", got[1])
	}
}

// An end is not within, a beginning is.
func TestFromIsWithinAndToIsNot(t *testing.T) {
	s := begun(t, Options{})
	for i := range 10 {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*time.Second), float64(i), 0.5), condition.AtMax)
	}
	flush(t, s)
	b := trend(t, s, "ef1", start.Add(2*time.Second), start.Add(5*time.Second), time.Minute).Buckets
	if len(b) != 1 || b[0].Value.First != 2 || b[0].Value.Last != 4 {
		t.Errorf("%+v", b)
	}
	if none := trend(t, s, "ef2", start, start.Add(time.Hour), time.Minute).Buckets; len(none) != 0 {
		t.Errorf("a fan that was never read: %+v", none)
	}
}

// A fan that the fleet has no longer can be asked for, one that never was cannot.
func TestAFanThatIsGone(t *testing.T) {
	s := begun(t, Options{})
	s.Record(&config.Fan{ID: "flow", ControlsAirflow: true}, at("flow", start, -30, 0.5), condition.Controlling)
	s.Record(fan("ef1"), at("ef1", start, -30, 0.5), condition.Controlling)
	s.Forget(&config.Fleet{})
	flush(t, s)
	for id, want := range map[reading.FanID]reading.Point{"flow": reading.Airflow, "ef1": reading.Pressure} {
		if p, ok := s.Controlled(t.Context(), id); !ok || p != want {
			t.Errorf("%s: %s %v", id, p, ok)
		}
	}
	if _, ok := s.Controlled(t.Context(), "never"); ok {
		t.Error("a fan that never was")
	}
}

// A setpoint is kept as it changes; what it was must be found wherever a trend
// begins, and must not outlive the fan that told it.
func TestASetpointIsKnownWhereverATrendBegins(t *testing.T) {
	s := begun(t, Options{})
	setpoint := func(i int) float64 { return -30 - float64(i/3000)*5 }
	const n = 10_000 // readings, 5 s apart
	for i := range n {
		r := at("ef1", start.Add(time.Duration(i)*5*time.Second), -30, 0.5)
		r.Set(reading.Setpoint, setpoint(i))
		s.Record(fan("ef1"), r, condition.Controlling)
	}
	last := start.Add(n * 5 * time.Second)
	for i := range 1000 {
		s.Record(fan("ef1"), &reading.Reading{Fan: "ef1", Time: last.Add(time.Duration(i) * 5 * time.Second), Outcome: reading.Timeout}, condition.Unknown)
	}
	flush(t, s)
	for i := 0; i < n; i += 77 {
		from := start.Add(time.Duration(i) * 5 * time.Second)
		b := trend(t, s, "ef1", from, from.Add(5*time.Second), 5*time.Second).Buckets
		if len(b) != 1 || !b[0].SetpointKnown || b[0].Setpoint != setpoint(i) {
			t.Fatalf("reading %d: %+v", i, b)
		}
	}
	after := last.Add(time.Hour)
	if b := trend(t, s, "ef1", after, after.Add(time.Minute), time.Minute).Buckets; len(b) != 1 || b[0].SetpointKnown {
		t.Errorf("an hour after the last answer: %+v", b)
	}
}

// Random readings of several fans, late and doubled ones among them, against a
// plain slice; the store is closed and opened again in between.
func TestAgainstAPlainSlice(t *testing.T) {
	for seed := range uint64(4) {
		random := rand.New(rand.NewPCG(seed, 6))
		dir := t.TempDir()
		s := begun(t, Options{Dir: dir})
		model := map[string]map[int64]float64{"a": {}, "b": {}, "c": {}}
		names := []string{"a", "b", "c"}
		now := start.UnixMilli()
		for range 4000 {
			id := names[random.IntN(3)]
			now += random.Int64N(20_000)
			when := now
			if random.IntN(10) == 0 {
				when -= random.Int64N(3 * 3600_000) // the clock was set back
			}
			v := float64(random.IntN(1000)) / 4
			if old, there := model[id][when]; there {
				v = old // told twice
			}
			model[id][when] = v
			s.Record(fan(id), at(id, time.UnixMilli(when), v, 0.5), condition.Controlling)
			switch random.IntN(400) {
			case 0:
				s.Close()
				s = begun(t, Options{Dir: dir})
			case 1, 2, 3:
				flush(t, s)
			}
		}
		flush(t, s)
		for range 50 {
			id := names[random.IntN(3)]
			from := start.Add(time.Duration(random.Int64N(12*3600)) * time.Second)
			to := from.Add(time.Duration(1+random.Int64N(8*3600)) * time.Second)
			step := time.Duration(1+random.IntN(3600)) * time.Second
			if to.Sub(from) > step*MaxBuckets {
				continue
			}
			compare(t, trend(t, s, id, from, to, step), expect(model[id], from, to, step))
		}
		s.Close()
	}
}

// Of two readings of one instant that differ, one is kept.
func TestOfTwoReadingsOfOneInstantOneIsKept(t *testing.T) {
	s := begun(t, Options{})
	for _, i := range []int{0, 1, 2, 1, 2, 0} {
		s.Record(fan("ef1"), at("ef1", start.Add(time.Duration(i)*time.Second), float64(rand.IntN(100)), 0.5), condition.Controlling)
		flush(t, s)
	}
	if b := trend(t, s, "ef1", start, start.Add(time.Minute), time.Minute).Buckets; len(b) != 1 || b[0].Readings != 3 {
		t.Errorf("%+v", b)
	}
}

// A clock that runs ahead must not push out what is kept, and one that was set
// back too far is counted.
func TestWhatIsFarFromAllOthersIsCounted(t *testing.T) {
	s := begun(t, Options{Keep: 48 * time.Hour})
	for _, when := range []time.Duration{0, time.Second, 49 * time.Hour, 2 * time.Second, -49 * time.Hour} {
		s.Record(fan("ef1"), at("ef1", start.Add(when), -30, 0.5), condition.Controlling)
	}
	flush(t, s)
	if f := s.Figures(); f.Written != 3 || f.Dropped.Order != 2 {
		t.Errorf("%+v", f)
	}
	if b := trend(t, s, "ef1", start, start.Add(time.Minute), time.Minute).Buckets; len(b) != 1 || b[0].Readings != 3 {
		t.Errorf("%+v", b)
	}
}

// expect makes the buckets from a plain map.
func expect(model map[int64]float64, from, to time.Time, step time.Duration) []export.Bucket {
	var times []int64
	for t := range model {
		if t >= from.UnixMilli() && t < to.UnixMilli() {
			times = append(times, t)
		}
	}
	slices.Sort(times)
	var all []export.Bucket
	for _, t := range times {
		start := from.Add(time.UnixMilli(t).Sub(from) / step * step)
		if len(all) == 0 || !all[len(all)-1].Start.Equal(start) {
			all = append(all, export.Bucket{Start: start})
		}
		all[len(all)-1].Value.Add(model[t])
	}
	for i := range all {
		all[i].Value.Close()
	}
	return all
}

func compare(t *testing.T, got *export.Trend, want []export.Bucket) {
	t.Helper()
	if len(got.Buckets) != len(want) {
		t.Fatalf("%d steps, want %d", len(got.Buckets), len(want))
	}
	for i := range want {
		if g := got.Buckets[i]; !g.Start.Equal(want[i].Start) || g.Value != want[i].Value {
			t.Fatalf("step %d: %v %+v, want %v %+v", i, g.Start, g.Value, want[i].Start, want[i].Value)
		}
	}
}

// What is written as a recording can be replayed: every reading comes back with
// its time, outcome, contacts and values.
func TestARecordingReadsBack(t *testing.T) {
	s := begun(t, Options{})
	var in []reading.Reading
	for i := range 6000 {
		r := at("ef1", start.Add(time.Duration(i)*5*time.Second), -30+float64(i%7)/4, 0.5)
		r.Set(reading.Setpoint, -30)
		r.Set(reading.HighSpeed, float64(i/100%2))
		r.Set(reading.RPM, float64(900+i%3))
		if i%50 == 49 {
			r = &reading.Reading{Fan: "ef1", Time: r.Time, Outcome: reading.Timeout}
		}
		in = append(in, *r)
		s.Record(fan("ef1"), r, condition.Controlling)
	}
	flush(t, s)
	var out bytes.Buffer
	if err := s.Recording(t.Context(), &out, "ef1", reading.Pressure, time.Time{}, start.Add(month)); err != nil {
		t.Fatal(err)
	}
	const header = "time,fan,speed,high_speed,pressure_pa,setpoint_pa,rpm,quality\n"
	if first, _, _ := strings.Cut(out.String(), "\n"); first+"\n" != header {
		t.Errorf("the columns are %s", first)
	}
	n := 0
	reader, err := recording.NewReader(&out, "ef1.csv")
	if err != nil {
		t.Fatal(err)
	}
	for {
		var r reading.Reading
		if err := reader.Next(&r); err != nil {
			if !errors.Is(err, io.EOF) {
				t.Fatal(err)
			}
			break
		}
		want := &in[n]
		if !r.Time.Equal(want.Time) || r.Outcome != want.Outcome {
			t.Fatalf("row %d: %v %s", n, r.Time, r.Outcome)
		}
		for _, p := range []reading.Point{reading.Pressure, reading.Speed, reading.Setpoint, reading.HighSpeed, reading.RPM} {
			a, had := want.Get(p)
			if b, has := r.Get(p); had != has || a != b {
				t.Fatalf("row %d: %s is %v %v, want %v %v", n, p, b, has, a, had)
			}
		}
		n++
	}
	if n != len(in) {
		t.Errorf("%d rows of %d", n, len(in))
	}
}

// Each reading comes back with the mode that it was kept with, a failed one too.
func TestReadingsTellTheirMode(t *testing.T) {
	s := begun(t, Options{})
	s.Record(fan("ef1"), at("ef1", start, -30, 0.5), condition.Controlling)
	s.Record(fan("ef1"), &reading.Reading{Fan: "ef1", Time: start.Add(5 * time.Second), Outcome: reading.Timeout}, condition.Controlling)
	s.Record(fan("ef1"), at("ef1", start.Add(10*time.Second), -12, 1), condition.AtMax)
	flush(t, s)
	var modes []condition.Mode
	err := s.Readings(t.Context(), "ef1", reading.Pressure, start, start.Add(time.Minute), func(r *reading.Reading, mode condition.Mode) error {
		if v, good := r.Get(reading.Speed); good != (r.Outcome == reading.OK) || good && v < 0.5 {
			t.Errorf("speed %v %v of a reading that ended %s", v, good, r.Outcome)
		}
		modes = append(modes, mode)
		return nil
	})
	if err != nil || !slices.Equal(modes, []condition.Mode{condition.Controlling, condition.Controlling, condition.AtMax}) {
		t.Errorf("%v %v", modes, err)
	}
}

// A clock that was set ahead and back again puts readings between others that came
// before them.
func TestWhatChangesSeldomWhileTheClockWasAhead(t *testing.T) {
	s := begun(t, Options{})
	record := func(from time.Duration, seconds int, rpm float64) {
		for i := range seconds {
			r := at("ef1", start.Add(from+time.Duration(i)*time.Second), -30, 0.5)
			r.Set(reading.RPM, rpm)
			s.Record(fan("ef1"), r, condition.Controlling)
		}
		flush(t, s)
	}
	record(0, 10, 500)
	record(2*time.Minute, 10, 500)   // ahead
	record(10*time.Second, 105, 700) // back, until just before that
	record(150*time.Second, 10, 700)
	var out bytes.Buffer
	if err := s.Recording(t.Context(), &out, "ef1", reading.Pressure, start.Add(2*time.Minute), start.Add(time.Hour)); err != nil {
		t.Fatal(err)
	}
	reader, err := recording.NewReader(&out, "ef1.csv")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for r := (reading.Reading{}); reader.Next(&r) == nil; n++ {
		want := 500.0
		if n >= 10 {
			want = 700
		}
		if rpm, _ := r.Get(reading.RPM); rpm != want {
			t.Errorf("at %v: %v rpm, want %v", r.Time.Sub(start), rpm, want)
		}
	}
	if n != 20 {
		t.Errorf("%d rows, want 20", n)
	}
}

// Points that are written when they change are right wherever the clock was set to
// in between, also by a process that knows nothing of the one before.
func TestWhatChangesSeldomAfterTheClockWasSet(t *testing.T) {
	for _, anew := range []bool{false, true} {
		dir := t.TempDir()
		s := begun(t, Options{Dir: dir})
		record := func(from, to time.Duration, rpm func(i int) float64) {
			for i := 0; from+time.Duration(i)*time.Second < to; i++ {
				r := at("ef1", start.Add(from+time.Duration(i)*time.Second), -30, 0.5)
				r.Set(reading.RPM, rpm(i))
				s.Record(fan("ef1"), r, condition.Controlling)
			}
			flush(t, s)
		}
		record(0, time.Minute, func(i int) float64 { return 900 + float64(i) })
		if anew {
			s.Close()
			s = begun(t, Options{Dir: dir})
		}
		steady := func(int) float64 { return 500 }
		record(30500*time.Millisecond, 45*time.Second, steady) // set back
		record(time.Minute, 90*time.Second, steady)            // and forward again
		var out bytes.Buffer
		if err := s.Recording(t.Context(), &out, "ef1", reading.Pressure, start, start.Add(time.Hour)); err != nil {
			t.Fatal(err)
		}
		reader, err := recording.NewReader(&out, "ef1.csv")
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for r := (reading.Reading{}); reader.Next(&r) == nil; {
			since := r.Time.Sub(start)
			if back := since%time.Second != 0; !back && since < time.Minute {
				continue // of the time that was gone through twice
			}
			n++
			if rpm, good := r.Get(reading.RPM); !good || rpm != 500 {
				t.Errorf("after %v, anew %v: %v rpm, want 500", since, anew, rpm)
			}
		}
		if n != 45 {
			t.Errorf("%d rows, want 45", n)
		}
		s.Close()
	}
}
