package plain

import (
	"reflect"
	"testing"
	"time"
)

type small struct {
	on   bool
	name string
}

type sample struct {
	A     int64
	b     uint16
	f     float64
	g     float32
	held  time.Duration
	at    time.Time
	never time.Time
	list  []small
	three [3]small
	deep  struct{ x int8 }
	away  *small
	more  map[string]int
	all   []*small
	skip  int `plain:"-"`
}

func full() sample {
	return sample{A: -5, b: 65535, f: -0.25, g: 1.5, held: time.Hour, at: time.Unix(12, 34), list: []small{{true, "é"}, {}},
		three: [3]small{{}, {true, "x"}}, deep: struct{ x int8 }{-128}, away: &small{}, more: map[string]int{"a": 1}, all: []*small{{}}, skip: 7}
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	from, want := full(), full()
	data := Append([]byte("before"), &from)
	kept := &small{name: "kept"}
	to := sample{away: kept, skip: 9, list: []small{{}, {}, {}}}
	rest, err := Read(append(data, "after"...)[len("before"):], &to)
	if err != nil || string(rest) != "after" {
		t.Fatalf("%v, rest %q", err, rest)
	}
	want.away, want.more, want.all, want.skip = kept, nil, nil, 9
	if !reflect.DeepEqual(to, want) {
		t.Errorf("got %+v\nwant %+v", to, want)
	}
}

func TestCutBytesAreAnError(t *testing.T) {
	from := full()
	data := Append(nil, &from)
	for n := range data {
		var to sample
		if _, err := Read(data[:n], &to); err == nil {
			t.Errorf("%d of %d bytes are enough", n, len(data))
		}
	}
}

func TestTheShapeChangesWithWhatIsKept(t *testing.T) {
	type a struct{ x, y int }
	type b struct{ x, z int }
	type c struct {
		x, y int
		p    *int
	}
	type d struct {
		x int
		y int32
	}
	if Shape(&a{}) == Shape(&b{}) || Shape(&a{}) == Shape(&d{}) {
		t.Error("another name or kind has the same shape")
	}
	if Shape(&a{}) != Shape(&c{}) {
		t.Error("what is left out changes the shape")
	}
}

func FuzzRead(f *testing.F) {
	from := full()
	f.Add(Append(nil, &from))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		var to sample
		if _, err := Read(data, &to); err != nil {
			return
		}
		var again sample
		if _, err := Read(Append(nil, &to), &again); err != nil || !reflect.DeepEqual(to, again) && to.f == to.f && to.g == to.g {
			t.Errorf("%v: %+v, then %+v", err, to, again)
		}
	})
}

func TestInstantsAreShifted(t *testing.T) {
	type moment struct {
		at, never int64
		held      time.Duration
		told      time.Time
		n         int32
		all       [2]int64
		deep      []struct{ since int64 }
		skip      int64 `plain:"-"`
		away      *small
	}
	told := time.Unix(12, 34)
	v := moment{at: 100, held: 7, told: told, n: 5, all: [2]int64{0, 50}, deep: []struct{ since int64 }{{40}, {}}, skip: 9}
	want := moment{at: 70, held: 7, told: told, n: 5, all: [2]int64{0, 20}, deep: []struct{ since int64 }{{10}, {}}, skip: 9}
	if Shift(&v, -30); !reflect.DeepEqual(v, want) {
		t.Errorf("got %+v\nwant %+v", v, want)
	}
}
