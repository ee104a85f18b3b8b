package poller_test

import (
	"testing"
	"time"

	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// Contacts and settings that tell of their changes are read once a minute, and the
// others in every cycle.
func TestWhatIsWatchedIsReadOnceAMinute(t *testing.T) {
	s, fleet := campus(1)
	fleet.Gateways[0].COV = true
	b := s.devices[1]
	var at [2]time.Time
	cycles, logged := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(62 * time.Second)
		s.set(func() {
			b.values[ref(bacnet.BinaryInput, 1, bacnet.PresentValue)] = bacnet.EnumeratedValue(0)
			s.changes(b, bacnet.BinaryInput, 1)
			at[0] = time.Now()
		})
		time.Sleep(10 * time.Second)
		s.set(func() {
			b.values[ref(bacnet.BinaryInput, 1, bacnet.StatusFlagsOf)] = bacnet.FlagsValue(bacnet.StatusFlags{OutOfService: true})
			s.changes(b, bacnet.BinaryInput, 1)
			b.values[ref(bacnet.MultiStateValue, 1, bacnet.PresentValue)] = bacnet.UnsignedValue(1) // and says nothing of it
			at[1] = time.Now()
		})
		time.Sleep(9 * time.Minute)
	})
	n := len(cycles)
	for p, most := range map[bacnet.Reference]int{
		ref(bacnet.AnalogInput, 1, bacnet.PresentValue):      n,
		ref(bacnet.AnalogOutput, 1, bacnet.PresentValue):     n,
		ref(bacnet.BinaryInput, 1, bacnet.PresentValue):      13,
		ref(bacnet.MultiStateValue, 1, bacnet.StatusFlagsOf): 13,
		ref(bacnet.AnalogValue, 1, bacnet.PresentValue):      13,
	} {
		if got := b.read[p]; got > most || got < min(most, 10) {
			t.Errorf("%s was read %d times in %d cycles", p, got, n)
		}
	}
	for _, c := range cycles {
		r := &c.Readings[0]
		switch {
		case c.Start.Before(at[0]):
			if !r.On(reading.HighSpeed) || !r.On(reading.Running) {
				t.Errorf("before the change: %s", r.Quality(reading.HighSpeed))
			}
		case c.Start.After(at[0].Add(time.Second)) && c.Start.Before(at[1]):
			if !r.Off(reading.HighSpeed) {
				t.Errorf("the change that was told was not taken: %s", r.Quality(reading.HighSpeed))
			}
		case c.Start.After(at[1].Add(time.Second)) && r.Quality(reading.HighSpeed) != reading.OutOfService:
			t.Errorf("flags that were told: %s", r.Quality(reading.HighSpeed))
		}
		if c.Start.After(at[1].Add(66*time.Second)) && !r.Off(reading.Running) {
			t.Error("a change that was not told was not found within a minute")
		}
		if r.Time.Before(c.Start) || r.Outcome != reading.OK {
			t.Errorf("%s, %v before its cycle", r.Outcome, c.Start.Sub(r.Time))
		}
	}
	if logged.Len() > 0 {
		t.Errorf("%v", logged.All())
	}
	// Renewed at half their life of five minutes.
	if got := len(b.watched); got < 9 || got > 18 {
		t.Errorf("%d subscriptions in ten minutes", got)
	}
}

// A device that tells nothing is polled as if nobody had asked it to.
func TestARefusedSubscriptionMeansPolling(t *testing.T) {
	s, fleet := campus(1)
	fleet.Gateways[0].COV = true
	b := s.devices[1]
	b.noCOV = true
	cycles, logged := s.awhile(t, fleet, 3*time.Minute)
	if got := b.read[ref(bacnet.BinaryInput, 1, bacnet.PresentValue)]; got < len(cycles)-1 {
		t.Errorf("it was read %d times in %d cycles", got, len(cycles))
	}
	if b.asked[bacnet.ServiceSubscribeCOV] != 3 || logged.FilterMessageSnippet("does not tell of changes").Len() != 3 {
		t.Errorf("%d subscriptions; log: %v", b.asked[bacnet.ServiceSubscribeCOV], logged.All())
	}
}

// What was told before a device fell silent is not taken for what it is now.
func TestWhatIsWatchedIsReadAnewAfterASilence(t *testing.T) {
	s, fleet := campus(1)
	fleet.Gateways[0].COV = true
	b := s.devices[1]
	cycles, _ := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(time.Minute)
		s.set(func() { b.silent = true })
		time.Sleep(30 * time.Second)
		s.set(func() {
			b.silent = false
			b.values[ref(bacnet.BinaryInput, 1, bacnet.PresentValue)] = bacnet.EnumeratedValue(0)
		})
		time.Sleep(40 * time.Second)
	})
	silent := false
	for _, c := range cycles {
		r := &c.Readings[0]
		silent = silent || r.Outcome == reading.Timeout
		if r.Outcome == reading.Timeout && r.Quality(reading.HighSpeed) != reading.Unanswered || silent && r.On(reading.HighSpeed) {
			t.Errorf("%s: high_speed %s", r.Outcome, r.Quality(reading.HighSpeed))
		}
	}
	if last := &cycles[len(cycles)-1].Readings[0]; !last.Off(reading.HighSpeed) {
		t.Errorf("after the silence: %s", last.Quality(reading.HighSpeed))
	}
}

// A device that is silent for long is neither renewed for nor asked more often than it
// would be without; it tells of its changes again when it is back.
func TestWatchesOfASilentDevice(t *testing.T) {
	s, fleet := campus(2)
	fleet.Gateways[0].COV = true
	b := s.devices[1]
	var heard, subscribed int
	s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(time.Minute)
		s.set(func() { b.silent = true })
		time.Sleep(time.Minute) // until it is asked seldom
		s.set(func() { heard = b.heard })
		time.Sleep(10 * time.Minute)
		s.set(func() { heard, subscribed, b.silent = b.heard-heard, len(b.watched), false })
		time.Sleep(2 * time.Minute)
	})
	if heard > 60 {
		t.Errorf("a silent device was sent %d datagrams in ten minutes", heard)
	}
	if got := len(b.watched) - subscribed; got < 3 || got > 7 {
		t.Errorf("%d subscriptions after its return, want 3", got)
	}
}

// An object that is watched and gives an error when it is read is asked again in the
// next cycle, and told of as an error meanwhile.
func TestAWatchedObjectInTrouble(t *testing.T) {
	s, fleet := campus(1)
	fleet.Gateways[0].COV = true
	b := s.devices[1]
	contact := ref(bacnet.BinaryInput, 1, bacnet.PresentValue)
	var from, to time.Time
	cycles, _ := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(30 * time.Second)
		s.set(func() { b.errors = map[bacnet.Reference]bacnet.RemoteError{contact: {Class: 0, Code: 25}} })
		time.Sleep(time.Minute)
		from = time.Now()
		time.Sleep(30 * time.Second)
		s.set(func() { b.errors = nil })
		to = time.Now()
		time.Sleep(20 * time.Second)
	})
	for i, c := range cycles {
		r := &c.Readings[0]
		switch {
		case c.Start.After(from) && c.Start.Before(to):
			if r.ExceptionCode != 25 {
				t.Errorf("cycle %d: outcome %s, code %d", i, r.Outcome, r.ExceptionCode)
			}
		case c.Start.After(to.Add(5*time.Second)) && !r.On(reading.HighSpeed):
			t.Errorf("cycle %d: %s after the trouble", i, r.Quality(reading.HighSpeed))
		}
	}
}
