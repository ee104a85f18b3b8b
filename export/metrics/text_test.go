package metrics

import (
	"bytes"
	"errors"
	"runtime"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
	"fanwarden/poller/reading"
)

// The text is that of the messages, to the byte: as Prometheus's own encoder
// (prometheus/common, expfmt) writes them.
func TestTextIsThatOfTheMessages(t *testing.T) {
	odd := sample.Large(3)
	odd.Fans[0].Values.Set(reading.Pressure, -1)
	odd.Fans[1].Values.Set(reading.Pressure, 1e-9)
	odd.Fans[2].Values.Set(reading.Pressure, 0)
	odd.Fans[2].Fan.Name = "a \"quoted\" \\ name\nin two lines \xff"
	for name, s := range map[string]*export.Snapshot{"campus": sample.Campus(), "large": sample.Large(200), "odd": odd,
		"nothing": {Fleet: &config.Fleet{}, Taken: sample.Now()}, "before the first": nil} {
		for _, later := range []time.Duration{0, 10 * time.Second, time.Hour} {
			now := func() time.Time { return sample.Now().Add(later) }
			g := New(func() *export.Snapshot { return s }, now)
			var got bytes.Buffer
			for range 2 { // with all that is used again
				got.Reset()
				if err := g.Text(&got); err != nil {
					t.Fatal(err)
				}
			}
			want := strings.Split(text(t, g), "\n")
			for i, line := range strings.Split(got.String(), "\n") {
				if i >= len(want) || line != want[i] {
					t.Fatalf("%s, %s later, line %d:\n got %s\nwant %s", name, later, i+1, line, want[min(i, len(want)-1)])
				}
			}
			if lines := strings.Count(got.String(), "\n") + 1; lines != len(want) {
				t.Errorf("%s, %s later: %d lines, want %d", name, later, lines, len(want))
			}
		}
	}
}

// full takes so many bytes.
type full struct{ left int }

var errFull = errors.New("full")

func (f *full) Write(part []byte) (int, error) {
	if f.left -= len(part); f.left < 0 {
		return 0, errFull
	}
	return len(part), nil
}

func TestTextTellsThatItCouldNotBeWritten(t *testing.T) {
	s := sample.Large(1000)
	for _, room := range []int{0, 100, 200_000} {
		if err := over(&s).Text(&full{room}); !errors.Is(err, errFull) {
			t.Errorf("room for %d bytes: %v", room, err)
		}
	}
}

// The text of a fleet keeps little, and makes no message for a fan.
func TestTextKeepsLittle(t *testing.T) {
	s := sample.Large(5000)
	g := over(&s)
	before := live()
	if err := g.Text(&full{1 << 30}); err != nil {
		t.Fatal(err)
	}
	if kept := (live() - before) / 5000; kept > 1500 {
		t.Errorf("%d bytes a fan are kept", kept)
	}
	runtime.KeepAlive(g)
}

func live() int64 {
	runtime.GC()
	runtime.GC()
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	return int64(m.HeapAlloc)
}
