package turnover

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"fanwarden/poller/reading"
)

func TestLasting(t *testing.T) {
	for d, want := range map[time.Duration]string{400 * time.Millisecond: "0 s", 42 * time.Second: "42 s", time.Minute: "1 min", 102 * time.Second: "1 min 42 s",
		59*time.Minute + 59700*time.Millisecond: "60 min", 3*time.Hour + 5*time.Minute: "3 h 5 min"} {
		if got := lasting(d); got != want {
			t.Errorf("%s: %q, want %q", d, got, want)
		}
	}
}

// A unit that has two names is no two ways to read a point.
func TestUnitsOfTwoNames(t *testing.T) {
	p, _ := newBench(t).fan.Placed(reading.Pressure)
	count := map[string]int{}
	for _, w := range everyUnit(p.Encoding) {
		count[w.Says]++
	}
	if count["in hPa"] != 1 || count["in mbar"] != 0 || count["in kPa"] != 1 {
		t.Error(count)
	}
}

// A write that may have reached the device after all is tried again, and what it may
// have changed is given back.
func TestRefused(t *testing.T) {
	for code, want := range map[uint8]bool{0: false, 0x01: true, 0x02: true, 0x03: true, 0x04: true, 0x05: false, 0x0A: true, 0x0B: false} {
		if got := refused(fmt.Errorf("force_on: %w", &reading.Failure{Code: code, Err: errors.New("exception")})); got != want {
			t.Errorf("%02X: %t", code, got)
		}
	}
}
