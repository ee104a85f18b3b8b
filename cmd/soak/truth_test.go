package main

import (
	"encoding/binary"
	"testing"
	"testing/synctest"
	"time"
)

// testClock is a daemon's clock that is shifted by nothing yet.
func testClock() *clock { return &clock{page: binary.LittleEndian.AppendUint64(nil, 0)} }

// noted is a truth in which two fans had 1, 2, 3 ... and 101, 102, ... Pa, a second
// each, from start.
func noted(seconds int) (t *truth, start time.Time) {
	t, start = newTruth(testClock()), time.Now()
	for i := range seconds {
		for fan, v := range map[string]float64{"a": 1, "b": 101} {
			s := state{from: time.Now().Round(0), to: time.Now().Add(time.Hour), noted: time.Now()}
			s.values[0] = v + float64(i)
			t.note(fan, s)
		}
		time.Sleep(time.Second)
	}
	return t, start
}

func TestTruth(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		truth, start := noted(60)
		tests := []struct {
			name  string
			fan   string
			at    time.Duration
			value float64
			want  verdict
		}{
			{"its own", "a", 30*time.Second + 500*time.Millisecond, 31, right},
			{"of a second before", "a", 31*time.Second + 500*time.Millisecond, 31, right},
			{"another fan's", "b", 30*time.Second + 500*time.Millisecond, 31, wrong},
			{"too old", "a", 34 * time.Second, 31, wrong},
			{"not there yet", "a", 27 * time.Second, 31, wrong},
			{"before anybody looked", "a", -time.Minute, 1, unknown},
			{"of a fan that is not there", "c", 30 * time.Second, 31, unknown},
		}
		for _, test := range tests {
			if got, _ := truth.of(test.fan, 0, start.Add(test.at).Round(0), test.value, 0); got != test.want {
				t.Errorf("%s: %v, want %v", test.name, got, test.want)
			}
		}
		if _, off := truth.of("a", 0, start.Add(30500*time.Millisecond).Round(0), 40, 0); off != 7 { // it had 33 a moment later
			t.Errorf("off by %v, want 7", off)
		}
	})
}

// What nobody saw is not held against a value, and what is long ago is dropped.
func TestTruthHasHoles(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		truth, start := noted(5)
		truth.note("a", state{from: time.Now().Round(0), to: time.Now().Add(time.Hour), noted: time.Now(), unseen: true})
		if got, _ := truth.of("a", 0, start.Add(6*time.Second).Round(0), -1, 0); got != unknown {
			t.Errorf("a hole is %v", got)
		}
		time.Sleep(2 * kept)
		truth.note("a", state{from: time.Now().Round(0), to: time.Now().Add(time.Hour), noted: time.Now()})
		if n := len(truth.states["a"]); n != 1 {
			t.Errorf("%d states are kept after twice their time", n)
		}
	})
}

// After a jump of the clock what a fan has goes on at the other time, and what it
// had stays where it was.
func TestTruthFollowsTheClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		truth, start := noted(10)
		truth.jump(time.Hour)
		time.Sleep(time.Second)
		if got, _ := truth.of("a", 0, start.Add(time.Hour+10*time.Second).Round(0), 9, 0); got != right {
			t.Errorf("what it had just before the jump is %v", got)
		}
		for _, test := range []struct {
			at   time.Duration
			want verdict
		}{{9 * time.Second, right}, {time.Hour + 10*time.Second, right}, {30 * time.Minute, unknown}} {
			if got, _ := truth.of("a", 0, start.Add(test.at).Round(0), 10, 0); got != test.want {
				t.Errorf("after %v: %v, want %v", test.at, got, test.want)
			}
		}
	})
}
