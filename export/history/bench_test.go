package history

import (
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// plant makes readings like those of a controller with a transmitter of a
// thousandth of an inch of water and a speed in tenths of a percent, polled with
// a few milliseconds of jitter.
type plant struct {
	random          *rand.Rand
	pressure, speed float64
}

func newPlant(seed uint64) *plant {
	return &plant{random: rand.New(rand.NewPCG(seed, 1)), pressure: -30, speed: 0.6}
}

func (p *plant) read(r *reading.Reading, id reading.FanID, at time.Time) {
	const count = 0.24908891 // Pa, of 0.001 inH2O
	p.pressure += (-30-p.pressure)*0.2 + p.random.NormFloat64()
	p.speed = min(1, max(0.2, p.speed+p.random.NormFloat64()*0.005))
	*r = reading.Reading{Fan: id, Time: at.Add(time.Duration(p.random.IntN(40)) * time.Millisecond)}
	r.Set(reading.Pressure, math.Round(p.pressure/count)*count)
	r.Set(reading.Speed, math.Round(p.speed*1000)/1000)
	r.Set(reading.Setpoint, -30)
	high := 0.0
	if p.speed > 0.8 {
		high = 1
	}
	r.Set(reading.HighSpeed, high)
	r.Set(reading.Enable, 1)
}

// BenchmarkMonth measures a month of a fan at 5 s: how it is written, how many
// bytes it takes, and how long a trend of it takes.
func BenchmarkMonth(b *testing.B) {
	s := begun(b, Options{Dir: b.TempDir(), Keep: month + 24*time.Hour, Queue: 1 << 21})
	p, f := newPlant(1), fan("ef1")
	const n = 30 * 24 * 720
	var r reading.Reading
	began := time.Now()
	for i := range n {
		p.read(&r, "ef1", start.Add(time.Duration(i)*5*time.Second))
		s.Record(f, &r, condition.Controlling)
		if i%2000 == 0 {
			flush(b, s)
		}
	}
	flush(b, s)
	written := time.Since(began)
	if err := s.Tidy(); err != nil {
		b.Fatal(err)
	}
	samples, bytes := uint64(0), int64(0)
	for _, block := range s.disk.now.Load().db.Blocks() {
		samples += block.Meta().Stats.NumSamples
		bytes += block.Size()
	}
	for b.Loop() {
		got := trend(b, s, "ef1", start, start.Add(month), month/1000)
		if len(got.Buckets) < 999 {
			b.Fatal(len(got.Buckets))
		}
	}
	b.ReportMetric(float64(written.Nanoseconds())/n, "ns/reading")
	b.ReportMetric(float64(bytes)/float64(samples), "bytes/sample")
	b.ReportMetric(float64(len(s.disk.now.Load().db.Blocks())), "blocks")
}

// BenchmarkFleet measures three hours of 10,000 fans at 30 s.
func BenchmarkFleet(b *testing.B) {
	const fans = 10_000
	s := begun(b, Options{Dir: b.TempDir(), Keep: month, Queue: 4 * fans})
	plants, names := make([]*plant, fans), make([]*config.Fan, fans)
	for i := range plants {
		plants[i], names[i] = newPlant(uint64(i)), fan(fmt.Sprintf("building-%d-ef%d", i/50, i%50))
	}
	var r reading.Reading
	peak, n := uint64(0), 0
	for b.Loop() {
		began := time.Now()
		for cycle := range 3 * 120 {
			for i, f := range names {
				plants[i].read(&r, f.ID, start.Add(time.Duration(cycle)*30*time.Second))
				s.Record(f, &r, condition.Controlling)
				n++
			}
			flush(b, s)
			if cycle%20 == 0 {
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				peak = max(peak, m.HeapAlloc)
			}
		}
		b.ReportMetric(float64(time.Since(began).Nanoseconds())/float64(n), "ns/reading")
	}
	last := start.Add(4 * time.Hour) // what is half an hour over two hours is compacted
	plants[0].read(&r, names[0].ID, last)
	s.Record(names[0], &r, condition.Controlling)
	flush(b, s)
	began := time.Now()
	if err := s.Tidy(); err != nil {
		b.Fatal(err)
	}
	b.ReportMetric(time.Since(began).Seconds(), "s/compaction")
	b.ReportMetric(float64(peak)/1e6, "MB/heap")
	s.Close()
	began = time.Now()
	begun(b, Options{Dir: s.o.Dir, Keep: month})
	b.ReportMetric(time.Since(began).Seconds(), "s/opening")
	wal := int64(0)
	_ = filepath.WalkDir(s.o.Dir, func(path string, e fs.DirEntry, err error) error {
		if err == nil && strings.Contains(path, "/wal/") && e.Type().IsRegular() {
			if info, err := e.Info(); err == nil {
				wal += info.Size()
			}
		}
		return nil
	})
	b.ReportMetric(float64(wal)/1e6, "MB/wal")
}

// BenchmarkDay measures the trends of a building: a day of 50 fans at 5 s, in 96
// steps, one after the other.
func BenchmarkDay(b *testing.B) {
	const fans, n = 50, 24 * 720
	s := begun(b, Options{Dir: b.TempDir(), Keep: month, Queue: fans * 2000})
	var r reading.Reading
	plants := make([]*plant, fans)
	for i := range n {
		for f := range plants {
			if i == 0 {
				plants[f] = newPlant(uint64(f))
			}
			id := fmt.Sprint("ef", f)
			plants[f].read(&r, reading.FanID(id), start.Add(time.Duration(i)*5*time.Second))
			s.Record(fan(id), &r, condition.Controlling)
		}
		if i%1000 == 0 {
			flush(b, s)
		}
	}
	flush(b, s)
	for b.Loop() {
		for f := range fans {
			got := trend(b, s, fmt.Sprint("ef", f), start, start.Add(24*time.Hour), 15*time.Minute)
			if len(got.Buckets) != 96 {
				b.Fatal(len(got.Buckets))
			}
		}
	}
}
