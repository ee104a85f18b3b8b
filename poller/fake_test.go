package poller_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// asked is one request that a fake gateway got.
type asked struct {
	at             time.Time
	unit           int
	table          decode.Table
	address, count int
}

// fake is a gateway in synthetic time. Its registers are those of the gateways
// on the wire: unit and address. By default everything answers in 10 ms.
type fake struct {
	t *testing.T
	// answer says how a request ends and how long that takes; nil: well.
	answer func(asked) (time.Duration, *reading.Failure)
	// reach says how an attempt to connect ends; nil: well.
	reach func() (time.Duration, *reading.Failure)
	// words replaces registers, by unit and address.
	words map[[2]int]uint16

	lock   sync.Mutex
	asked  []asked
	dials  []time.Time
	open   int
	closed int
}

func failure(outcome reading.Outcome) *reading.Failure {
	return &reading.Failure{Outcome: outcome, Err: errors.New("scripted")}
}

func exception(code uint8) *reading.Failure {
	outcome := reading.Exception
	if code == 0x0B {
		outcome = reading.UnitSilent
	}
	return &reading.Failure{Outcome: outcome, Code: code, Err: errors.New("scripted")}
}

func (f *fake) dial(ctx context.Context, _ *config.Gateway) (poller.Session, error) {
	f.lock.Lock()
	f.dials = append(f.dials, time.Now())
	f.lock.Unlock()
	if f.reach != nil {
		took, failure := f.reach()
		select {
		case <-time.After(took):
		case <-ctx.Done():
			return nil, &reading.Failure{Outcome: reading.Timeout, Err: ctx.Err()}
		}
		if failure != nil {
			return nil, failure
		}
	}
	f.lock.Lock()
	f.open++
	f.lock.Unlock()
	return &fakeSession{fake: f}, nil
}

type fakeSession struct {
	*fake
	ended bool
}

func (s *fakeSession) Read(unit int, table decode.Table, address, count int, into []uint16) error {
	if s.ended {
		s.t.Error("a session was read after it had ended")
	}
	ask := asked{time.Now(), unit, table, address, count}
	s.lock.Lock()
	s.fake.asked = append(s.fake.asked, ask)
	s.lock.Unlock()
	took, failure := 10*time.Millisecond, (*reading.Failure)(nil)
	if s.answer != nil {
		took, failure = s.answer(ask)
	}
	time.Sleep(took) // synthetic time
	if failure != nil {
		s.ended = failure.Code == 0
		return failure
	}
	for i := range count {
		into[i] = uint16(unit<<8 | address + i)
		if word, given := s.words[[2]int{unit, address + i}]; given {
			into[i] = word
		}
		if table.Bits() {
			into[i] = 1
		}
	}
	return nil
}

func (s *fakeSession) Close() error {
	s.lock.Lock()
	defer s.lock.Unlock()
	s.ended = true
	s.closed++
	return nil
}

// agree checks that every good value of a cycle is what its words say, and none
// of another cycle.
func agree(t *testing.T, fleet *config.Fleet, c *poller.Cycle) {
	t.Helper()
	if len(c.Words) != len(c.Readings) {
		t.Fatalf("words of %d fans for %d readings", len(c.Words), len(c.Readings))
	}
	for i := range c.Readings {
		r := &c.Readings[i]
		for _, fan := range fleet.Fans {
			for _, placed := range fan.Points {
				value, good := r.Get(placed.Point)
				if fan.ID != r.Fan || !good {
					continue
				}
				words := fan.Raw(c.Words[i], placed.Point)
				if len(words) != placed.Words() {
					t.Fatalf("%s: %s has %d words", fan.ID, placed.Point, len(words))
				}
				if says, _ := placed.Encoding.Decode(words); says != value {
					t.Errorf("%s: %s is %v, and its words say %v", fan.ID, placed.Point, value, says)
				}
			}
		}
	}
}

// requests returns what was asked since the last call.
func (f *fake) requests() []asked {
	f.lock.Lock()
	defer f.lock.Unlock()
	since := f.asked
	f.asked = nil
	return since
}

// polled is one cycle, kept.
type polled struct {
	poller.Cycle
	asked []asked
}

// watch polls a fleet for some synthetic time and returns its cycles and what
// was logged. A leaked goroutine fails the bubble that it runs in.
func watch(t *testing.T, f *fake, fleet *config.Fleet, span time.Duration) (cycles []polled, logged *observer.ObservedLogs) {
	t.Helper()
	f.t = t
	core, logged := observer.New(zapcore.InfoLevel)
	synctest.Test(t, func(t *testing.T) {
		var lock sync.Mutex
		p := poller.New(f.dial, func(c *poller.Cycle) {
			lock.Lock()
			defer lock.Unlock()
			kept := polled{Cycle: *c, asked: f.requests()}
			kept.Readings = append([]reading.Reading{}, c.Readings...)
			agree(t, fleet, c)
			cycles = append(cycles, kept)
		}, zap.New(core))
		p.Start(fleet)
		time.Sleep(span)
		p.Stop()
		if f.open > f.closed {
			t.Errorf("%d connections were opened and %d closed", f.open, f.closed)
		}
	})
	return cycles, logged
}

// silentUnits lets some units time out and the others answer in 10 ms.
func silentUnits(timeout time.Duration, units ...int) func(asked) (time.Duration, *reading.Failure) {
	return func(a asked) (time.Duration, *reading.Failure) {
		for _, unit := range units {
			if a.unit == unit {
				return timeout, failure(reading.Timeout)
			}
		}
		return 10 * time.Millisecond, nil
	}
}
