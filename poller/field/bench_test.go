package field_test

import (
	"testing"
	"time"

	"fanwarden/poller/field"
)

// A week of 50 fans in a minute leaves 2 us for a fan and a second.
func BenchmarkFanSecond(b *testing.B) {
	fleet := campus(b, 50)
	f := field.New(fleet, 1, monday)
	b.ReportAllocs()
	b.ResetTimer()
	for range b.N/50 + 1 {
		f.Step(time.Second)
	}
}
