package rules

import (
	"fmt"
	"math"
	"reflect"
	"testing"
	"time"
	"unsafe"

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

func BenchmarkObserve(b *testing.B) {
	const fans = 200
	all := steadyReadings(fans)
	e := New(testFleet(fans))
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		r := &all[i%len(all)]
		if i >= len(all) {
			r.Time = r.Time.Add(500 * time.Second)
		}
		e.Observe(r)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "readings/s")
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
	for _, j := range newRules() {
		own := reflect.TypeOf(j.rule).Elem().Size()
		size += unsafe.Sizeof(j) + own
		t.Logf("%s: %d bytes of its own", j.life.name, own)
	}
	if size > 16<<10 {
		t.Errorf("a fan takes %d bytes", size)
	}
	t.Logf("a fan takes %d bytes, and what stands of it its texts", size)
}
