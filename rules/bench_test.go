package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"syscall"
	"testing"
	"time"
	"unsafe"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// steadyReadings are readings of many fans in turn, each polled every 5 s.
func steadyReadings(fans int) []reading.Reading {
	all := make([]reading.Reading, 100*fans)
	for i := range all {
		r := &all[i]
		r.Fan = reading.FanID(fmt.Sprintf("ef%d", i%fans+1))
		r.Time = midnight.Add(time.Duration(i/fans) * 5 * time.Second)
		r.Set(reading.Speed, 0.6+0.1*math.Sin(float64(i)))
		r.Set(reading.Pressure, -30+3*math.Sin(float64(7*i)))
		r.Set(reading.Enable, 1)
	}
	return all
}

// moments are what fans that live read every five seconds: gusts, a sensor's
// counts, demand that comes and goes, rests and starts. Each lives two hours.
func moments(fleet *config.Fleet) [][]values {
	var all [][]values
	for i := range min(len(fleet.Fans), 12) {
		cfg := fleet.Fans[i]
		p := newPlant(cfg)
		p.noise = rand.New(rand.NewPCG(uint64(i), 3))
		p.gusts, p.count = float64(1+i%4), []float64{0.1, 0.25, 1}[i%3]
		p.idle = cfg.GoesIdle
		phase := time.Duration(i) * 7 * time.Minute
		p.push = func(at time.Duration) float64 {
			return 25 * math.Floor(3*math.Abs(math.Sin((at+phase).Hours()*float64(2+i%3))))
		}
		one := make([]values, 0, 1440)
		for at := time.Duration(0); at < 2*time.Hour; at += time.Second {
			if v := p.tick(at); at%(5*time.Second) == 0 {
				one = append(one, v)
			}
		}
		all = append(all, one)
	}
	return all
}

// BenchmarkObserve judges fans that live by all rules, polled in turn. Of many
// fans the state of each has left the processor's cache before its next reading.
func BenchmarkObserve(b *testing.B) {
	for _, fans := range []int{20, 200, 5000} {
		b.Run(fmt.Sprint(fans), func(b *testing.B) {
			fleet := testFleet(fans)
			for i := 0; i < fans; i += 2 {
				idling(fleet.Fans[i])
			}
			lives := moments(fleet)
			flat := make([][]reading.Reading, len(lives)) // all that is read, ready to be copied
			for i, one := range lives {
				flat[i] = make([]reading.Reading, len(one))
				for k, v := range one {
					for p, value := range v {
						flat[i][k].Set(p, value)
					}
				}
			}
			e, round, r := New(fleet), 0, reading.Reading{}
			one := func(i int) {
				life := flat[i%len(flat)]
				r = life[(round+i/len(flat)*31)%len(life)]
				r.Fan, r.Time = fleet.Fans[i].ID, midnight.Add(time.Duration(round)*5*time.Second)
				e.Observe(&r)
			}
			for ; round < 100; round++ {
				for i := range fans {
					one(i)
				}
			}
			b.ReportAllocs()
			began := processorTime()
			for i := 0; b.Loop(); {
				one(i)
				if i++; i == fans {
					i, round = 0, round+1
				}
			}
			b.ReportMetric(float64(processorTime()-began)/float64(b.N), "cpu-ns/op")
		})
	}
}

// processorTime is what the process has taken so far, which other processes on
// the machine change less than the clock's time.
func processorTime() time.Duration {
	var used syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &used) != nil {
		return 0
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

func TestASteadyReadingAllocatesNothing(t *testing.T) {
	fleet := testFleet(20)
	idling(fleet.Fans[3])
	e := New(fleet)
	all := steadyReadings(20)
	i := 0
	if n := testing.AllocsPerRun(len(all)-1, func() { e.Observe(&all[i]); i++ }); n != 0 {
		t.Errorf("%v allocations a reading", n)
	}
}

// TestAFanTakesBoundedMemory keeps what one fan costs in view.
func TestAFanTakesBoundedMemory(t *testing.T) {
	size := unsafe.Sizeof(fan{})
	if one, hot := unsafe.Sizeof(judged{}), unsafe.Offsetof(judged{}.life)+unsafe.Offsetof(life{}.setting); one%64 != 0 || hot >= 64 {
		t.Errorf("what every reading looks at of a rule ends at %d of %d bytes, and takes more than one line of cache", hot, one)
	}
	for _, j := range newRules() {
		own := reflect.TypeOf(j.rule).Elem().Size()
		size += unsafe.Sizeof(j) + own
		t.Logf("%s: %d bytes of its own", j.life.name, own)
	}
	if size > 11<<10 {
		t.Errorf("a fan takes %d bytes", size)
	}
	t.Logf("a fan takes %d bytes, and what stands of it its texts", size)
}
