package poller_test

import (
	"testing"
	"time"

	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// A value whose flags got lost on the way is no value: they may say that it is worth
// nothing.
func TestAValueWithoutItsFlagsDoesNotCount(t *testing.T) {
	s, fleet := campus(1)
	b := s.devices[1]
	b.noRPM, b.took = true, 700*time.Millisecond
	b.values[ref(bacnet.AnalogOutput, 1, bacnet.StatusFlagsOf)] = bacnet.FlagsValue(bacnet.StatusFlags{OutOfService: true})
	fleet.Fans[0].Points = fleet.Fans[0].Points[:2]
	cycles, _ := s.awhile(t, fleet, time.Minute) // a cycle has time for six answers, and the seventh would be of these flags
	for i, r := range of(cycles, 0) {
		if r.Quality(reading.Speed) == reading.Good {
			t.Errorf("cycle %d: speed of an object out of service, %s", i, r.Outcome)
		}
	}
}

// What a device says of an object in trouble, in whichever words, does not keep its
// flags from being asked for when the trouble is over.
func TestFlagsAreAskedForAgainAfterTrouble(t *testing.T) {
	s, fleet := campus(1)
	b := s.devices[1]
	flags := ref(bacnet.AnalogInput, 1, bacnet.StatusFlagsOf)
	b.errors = map[bacnet.Reference]bacnet.RemoteError{flags: {Class: 0, Code: 25}} // device, operational-problem
	cycles, _ := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(20 * time.Second)
		s.set(func() {
			delete(b.errors, flags)
			b.values[flags] = bacnet.FlagsValue(bacnet.StatusFlags{Fault: true})
		})
		time.Sleep(20 * time.Second)
	})
	if last := &cycles[len(cycles)-1].Readings[0]; last.Quality(reading.Pressure) != reading.Faulty {
		t.Errorf("%s", last.Quality(reading.Pressure))
	}
}

// A device that comes back may be another one: not one value of it counts before its
// units were read again.
func TestUnitsOfADeviceThatIsBack(t *testing.T) {
	for after := time.Minute; after < time.Minute+10*time.Second; after += time.Second { // its answer falls into a cycle or between two
		s, fleet := campus(2)
		fleet.Gateways[0].PollEvery = 2 * time.Second
		b := s.devices[1]
		s.devices[2].took = 750 * time.Millisecond // so that a cycle lasts
		cycles, _ := s.during(t, fleet, func(*poller.Poller) {
			time.Sleep(20 * time.Second)
			s.set(func() { b.silent = true })
			time.Sleep(after)
			s.set(func() {
				b.silent, b.took = false, 700*time.Millisecond
				b.values[ref(bacnet.AnalogInput, 1, bacnet.UnitsOf)] = bacnet.EnumeratedValue(58)
			})
			time.Sleep(time.Minute)
		})
		silent := false
		for i, r := range of(cycles, 0) {
			silent = silent || r.Outcome == reading.Timeout
			if silent && r.Quality(reading.Pressure) == reading.Good {
				t.Errorf("back after %v, cycle %d: a pressure in inH2O counts as Pa", after, i)
			}
		}
		if last := &cycles[len(cycles)-1].Readings[0]; last.Quality(reading.Pressure) != reading.OtherUnit {
			t.Errorf("%s", last.Quality(reading.Pressure))
		}
	}
}

// A slow device that knows no multiple reads has no time in one cycle for all that is
// asked of it once an hour. It is asked for the rest in the next, so that its last
// points are read too.
func TestUnitsOfASlowDevice(t *testing.T) {
	s, fleet := campus(1)
	b := s.devices[1]
	b.noRPM, b.took = true, 290*time.Millisecond // sixteen answers in a cycle, and there are fifteen beside the units
	cycles, _ := s.awhile(t, fleet, 2*time.Minute)
	last := &cycles[len(cycles)-1].Readings[0]
	for _, p := range []reading.Point{reading.Pressure, reading.Speed, reading.HighSpeed, reading.Running, reading.MinSpeed} {
		if last.Quality(p) != reading.Good {
			t.Errorf("%s: %s", p, last.Quality(p))
		}
	}
	for _, o := range []bacnet.Reference{ref(bacnet.AnalogInput, 1, bacnet.UnitsOf), ref(bacnet.AnalogValue, 1, bacnet.UnitsOf)} {
		if b.read[o] != 1 {
			t.Errorf("%s was read %d times", o, b.read[o])
		}
	}
}
