package browser_test

import (
	"context"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/history"
	"fanwarden/export/internal/sample"
	"fanwarden/export/web"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

const (
	largest   = 10_000
	pollEvery = 5 * time.Second
	month     = 30 * 24 * time.Hour
)

// large is a fleet of ten thousand fans that are read every five seconds, whose
// first fan has a month of readings behind it.
type large struct {
	begun    time.Time
	snapshot atomic.Pointer[export.Snapshot]
	random   *rand.Rand
}

// now is the fleet's time: its sample's readings are of a fixed day.
func (l *large) now() time.Time { return sample.Now().Add(time.Since(l.begun)) }

// serveLarge serves the fleet until the test ends.
func serveLarge(t *testing.T) (url string) {
	t.Helper()
	l := &large{begun: time.Now(), random: rand.New(rand.NewPCG(1, 2))}
	l.snapshot.Store(sample.Large(largest))
	ctx, end := context.WithCancel(context.Background())
	var turning sync.WaitGroup
	turning.Go(func() { l.turn(ctx) })
	server := httptest.NewServer(web.Handler(web.Options{Snapshot: l.snapshot.Load, Now: l.now,
		Metrics: http.NotFoundHandler(), History: monthOf(t, l.snapshot.Load().Fans[0].Fan)}))
	t.Cleanup(func() { end(); turning.Wait(); server.CloseClientConnections(); server.Close() })
	return server.URL
}

// turn reads a fifth of the fans each second.
func (l *large) turn(ctx context.Context) {
	ticker := time.NewTicker(time.Second)
	defer ticker.Stop()
	for round := 0; ; round++ {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
		was := *l.snapshot.Load()
		was.Taken = l.now()
		was.Fans = append([]*export.Fan(nil), was.Fans...)
		for i := round % 5; i < len(was.Fans); i += 5 {
			was.Fans[i] = l.read(was.Fans[i])
		}
		l.snapshot.Store(&was)
	}
}

// read is a fan at its next reading. It holds its setpoint as well as the
// simulated controllers do: within some hundredths of it, its speed at work. One
// poll in a thousand brings no answer, as it happens on lines that are well.
func (l *large) read(was *export.Fan) *export.Fan {
	now, f := l.now(), *was
	f.Polled, f.Outcome = now, reading.OK
	if l.random.IntN(1000) == 0 {
		f.Outcome = reading.Timeout
		return &f
	}
	pressure, _ := was.Values.Get(reading.Pressure)
	speed, _ := was.Values.Get(reading.Speed)
	f.Values = reading.Reading{Fan: f.Fan.ID, Gateway: f.Fan.Gateway.ID, Time: now}
	f.Values.Set(reading.Pressure, pressure+(-30-pressure)*0.2+l.random.NormFloat64()*0.4)
	f.Values.Set(reading.Speed, min(1, max(0.2, speed+(0.6-speed)*0.02+l.random.NormFloat64()*0.005)))
	f.Values.Set(reading.HighSpeed, 0)
	f.LastGood = now
	return &f
}

// monthOf keeps a month of a fan, of a reading every five seconds.
func monthOf(t *testing.T, f *config.Fan) *history.Store {
	t.Helper()
	const n = int(month / pollEvery)
	o := history.Options{Dir: t.TempDir(), Keep: month + 24*time.Hour, Queue: 4 * n}
	s := history.Open(o)
	random, pressure, speed := rand.New(rand.NewPCG(3, 4)), -30.0, 0.6
	for i := range n {
		r := reading.Reading{Fan: f.ID, Gateway: f.Gateway.ID, Time: sample.Now().Add(time.Duration(i-n) * pollEvery)}
		pressure += (-30-pressure)*0.2 + random.NormFloat64()*0.4
		speed = min(1, max(0.2, speed+random.NormFloat64()*0.005))
		r.Set(reading.Pressure, math.Round(pressure*10)/10)
		r.Set(reading.Speed, math.Round(speed*1000)/1000)
		r.Set(reading.Setpoint, -30)
		s.Record(f, &r, condition.Controlling)
	}
	s.Close()
	s = history.Open(o) // as after a restart
	t.Cleanup(s.Close)
	if err := s.Flush(); err != nil { // which waits until it is open
		t.Fatal(err)
	}
	return s
}
