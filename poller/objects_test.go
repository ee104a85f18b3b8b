package poller_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

func TestObjectsBecomeReadings(t *testing.T) {
	s, fleet := campus(3)
	cycles, logged := s.awhile(t, fleet, time.Minute)
	if len(cycles) < 11 || logged.Len() > 0 {
		t.Fatalf("%d cycles in a minute; log: %v", len(cycles), logged.All())
	}
	for _, c := range cycles {
		if c.Took > 100*time.Millisecond || len(c.Readings) != 3 || c.Missed > 0 {
			t.Errorf("a cycle of %d readings took %v and missed %d", len(c.Readings), c.Took, c.Missed)
		}
		for i, r := range c.Readings {
			for p, want := range map[reading.Point]float64{reading.Pressure: -31 - float64(i), reading.Speed: 0.5,
				reading.HighSpeed: 1, reading.Running: 1, reading.MinSpeed: 0.2} {
				if got, good := r.Get(p); !good || got-want > 1e-9 || want-got > 1e-9 {
					t.Errorf("fan %d: %s is %v (%s), want %v", i, p, got, r.Quality(p), want)
				}
			}
			if r.Outcome != reading.OK || r.Time.Before(c.Start) || r.Time.After(c.Start.Add(c.Took)) {
				t.Errorf("fan %d: %s at %v", i, r.Outcome, r.Time.Sub(c.Start))
			}
		}
	}
	// One request a device and cycle; the devices are asked once, together, who they are.
	for n, b := range s.devices {
		if got := b.asked[bacnet.ServiceReadPropertyMultiple]; got != len(cycles) || b.asked[bacnet.ServiceReadProperty] > 0 {
			t.Errorf("device %d was asked %d times in %d cycles", n, got, len(cycles))
		}
		if got := b.read[ref(bacnet.AnalogInput, 1, bacnet.UnitsOf)]; got != 1 {
			t.Errorf("device %d was asked %d times for a unit", n, got)
		}
	}
}

// What an object says of its own value makes that value none, and three different
// things of it (clause 12).
func TestFlagsBecomeQualities(t *testing.T) {
	pressure := func(p bacnet.PropertyID) bacnet.Reference { return ref(bacnet.AnalogInput, 1, p) }
	flags := func(f bacnet.StatusFlags) func(*box) {
		return func(b *box) { b.values[pressure(bacnet.StatusFlagsOf)] = bacnet.FlagsValue(f) }
	}
	for name, c := range map[string]struct {
		change func(*box)
		want   reading.Quality
	}{
		"nothing":        {func(*box) {}, reading.Good},
		"in alarm":       {flags(bacnet.StatusFlags{InAlarm: true}), reading.Good},
		"fault":          {flags(bacnet.StatusFlags{Fault: true}), reading.Faulty},
		"overridden":     {flags(bacnet.StatusFlags{Overridden: true}), reading.Overridden},
		"out of service": {flags(bacnet.StatusFlags{OutOfService: true}), reading.OutOfService},
		"all":            {flags(bacnet.StatusFlags{InAlarm: true, Fault: true, Overridden: true, OutOfService: true}), reading.Faulty},
		"no sensor":      {func(b *box) { b.values[pressure(bacnet.ReliabilityOf)] = bacnet.EnumeratedValue(1) }, reading.Faulty},
		"no number":      {func(b *box) { b.values[pressure(bacnet.PresentValue)] = bacnet.NullValue() }, reading.Marked},
		"no flags":       {func(b *box) { delete(b.values, pressure(bacnet.StatusFlagsOf)) }, reading.Good},
		"no reliability": {func(b *box) { delete(b.values, pressure(bacnet.ReliabilityOf)) }, reading.Good},
		"another unit":   {func(b *box) { b.values[pressure(bacnet.UnitsOf)] = bacnet.EnumeratedValue(58) }, reading.OtherUnit},
		"another kind":   {func(b *box) { b.values[pressure(bacnet.UnitsOf)] = bacnet.EnumeratedValue(98) }, reading.OtherUnit},
		"no units":       {func(b *box) { b.values[pressure(bacnet.UnitsOf)] = bacnet.EnumeratedValue(95) }, reading.Good},
		"an unknown one": {func(b *box) { b.values[pressure(bacnet.UnitsOf)] = bacnet.EnumeratedValue(9999) }, reading.Good},
	} {
		s, fleet := campus(1)
		c.change(s.devices[1])
		cycles, _ := s.awhile(t, fleet, 16*time.Second)
		for _, r := range of(cycles, 0) {
			outcome := reading.OK
			if c.want != reading.Good {
				outcome = reading.Invalid
			}
			if r.Quality(reading.Pressure) != c.want || r.Outcome != outcome || r.Quality(reading.Speed) != reading.Good {
				t.Errorf("%s: pressure %s, outcome %s; want %s, %s", name, r.Quality(reading.Pressure), r.Outcome, c.want, outcome)
			}
		}
		if asked := s.devices[1].read[pressure(bacnet.ReliabilityOf)]; name == "no reliability" && asked != 1 {
			t.Errorf("what a device does not have was asked for %d times", asked)
		}
	}
}

func TestAnotherUnitIsToldOnceWithItsRemedy(t *testing.T) {
	s, fleet := campus(1)
	s.devices[1].values[ref(bacnet.AnalogInput, 1, bacnet.UnitsOf)] = bacnet.EnumeratedValue(58)
	_, logged := s.awhile(t, fleet, time.Minute)
	told := logged.FilterMessageSnippet("states another unit").All()
	if len(told) != 1 {
		t.Fatalf("told %d times", len(told))
	}
	says := told[0].ContextMap()
	if says["fan"] != "ef1" || says["point"] != "pressure" || says["device_unit"] != "inH2O" || says["map_unit"] != "Pa" || says["object"] != "analog-input,1" {
		t.Errorf("%v", says)
	}
	fleet.Fans[0].Points[0].DeviceUnit, fleet.Fans[0].Points[0].HasDeviceUnit = 58, true
	cycles, logged := s.awhile(t, fleet, 16*time.Second)
	if got, good := cycles[0].Readings[0].Get(reading.Pressure); !good || got != -31 || logged.Len() > 0 {
		t.Errorf("a unit that is declared wrong: %v %v, %v", got, good, logged.All())
	}
}

// One bad object costs that object alone, with multiple reads and without.
func TestOneBadObject(t *testing.T) {
	for _, single := range []bool{false, true} {
		s, fleet := campus(1)
		s.devices[1].noRPM = single
		delete(s.devices[1].values, ref(bacnet.BinaryInput, 1, bacnet.PresentValue))
		cycles, _ := s.awhile(t, fleet, 16*time.Second)
		for _, r := range of(cycles, 0) {
			if r.Quality(reading.HighSpeed) != reading.Unanswered || r.Outcome != reading.Exception || r.ExceptionCode != 32 || !fleet.Fans[0].Usable(&r) || !r.On(reading.Running) {
				t.Errorf("singly %v: high_speed %s, outcome %s %d", single, r.Quality(reading.HighSpeed), r.Outcome, r.ExceptionCode)
			}
		}
		if tries := s.devices[1].asked[bacnet.ServiceReadPropertyMultiple]; single && tries != 1 {
			t.Errorf("a device that refuses multiple reads was asked %d times", tries)
		}
	}
}

// A silent device costs the others nothing once it is known to be, and they are read
// in every cycle before that too.
func TestASilentDeviceDelaysNobody(t *testing.T) {
	s, fleet := campus(4)
	s.devices[2].silent = true
	cycles, logged := s.awhile(t, fleet, 3*time.Minute)
	for n, c := range cycles {
		if c.Missed > 0 || n > 1 && c.Took > 100*time.Millisecond {
			t.Errorf("cycle %d took %v and missed %d", n, c.Took, c.Missed)
		}
		for i, r := range c.Readings {
			if want := map[bool]reading.Outcome{true: reading.Timeout, false: reading.OK}[i == 1]; r.Outcome != want {
				t.Errorf("cycle %d, fan %d: %s, want %s", n, i, r.Outcome, want)
			}
		}
	}
	if len(cycles) < 35 || logged.FilterMessageSnippet("device does not answer").Len() != 1 {
		t.Errorf("%d cycles; log: %v", len(cycles), logged.All())
	}
}

// Some of many devices are silent from the start, and many more than can be asked at a
// time fall silent at once: the others are read in every cycle.
func TestManySilentDevicesDelayNobody(t *testing.T) {
	s, fleet := campus(160)
	silence := func(which ...uint32) {
		for n, b := range s.devices {
			b.silent = b.silent || slices.Contains(which, n%8)
		}
	}
	silence(0)
	cycles, _ := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(time.Minute)
		s.set(func() { silence(1, 2, 3) })
		time.Sleep(2 * time.Minute)
	})
	for n, c := range cycles {
		for i, fan := range fleet.Fans {
			if fan.Unit%8 > 3 && c.Readings[i].Outcome != reading.OK {
				t.Errorf("cycle %d, device %d: %s", n, fan.Unit, c.Readings[i].Outcome)
			}
		}
		if c.Missed > 0 {
			t.Errorf("cycle %d missed %d", n, c.Missed)
		}
	}
	if len(cycles) < 35 {
		t.Errorf("%d cycles", len(cycles))
	}
}

func TestADeviceThatComesBackIsReadInTheNextCycle(t *testing.T) {
	s, fleet := campus(2)
	var back time.Time
	cycles, logged := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(20 * time.Second)
		s.set(func() { s.devices[1].silent = true })
		time.Sleep(2 * time.Minute)
		s.set(func() {
			s.devices[1].silent = false
			s.devices[1].at = s.devices[2].at // and has moved to the other's address meanwhile
			s.devices[2].silent = true
			back = time.Now()
		})
		time.Sleep(2 * time.Minute)
	})
	waited := time.Duration(0)
	for _, c := range cycles {
		if c.Start.After(back) && c.Readings[0].Outcome == reading.OK {
			waited = c.Start.Sub(back)
			break
		}
	}
	if waited == 0 || waited > 40*time.Second {
		t.Errorf("it was read %v after it was back; log: %v", waited, logged.All())
	}
	if logged.FilterMessageSnippet("device answers again").Len() == 0 {
		t.Errorf("its return was not told: %v", logged.All())
	}
}

// Where nobody answers the gateway is as good as lost: one line tells it, somebody
// is asked at least every 10 s, and all are read as soon as one answers.
func TestASiteThatIsCutOff(t *testing.T) {
	s, fleet := campus(8)
	fleet.Gateways[0].PollEvery, fleet.Gateways[0].StaleAfter = time.Minute, 4*time.Minute
	silence := func(on bool) {
		s.set(func() {
			for _, b := range s.devices {
				b.silent = on
			}
		})
	}
	var cut, back time.Time
	cycles, logged := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(2 * time.Minute)
		cut = time.Now()
		silence(true)
		time.Sleep(10 * time.Minute)
		silence(false)
		back = time.Now()
		time.Sleep(5 * time.Minute)
	})
	for _, c := range cycles {
		for i, r := range c.Readings {
			switch {
			case c.Start.After(cut) && c.Start.Before(back):
				if r.Outcome != reading.Timeout {
					t.Errorf("fan %d while nobody answers: %s", i, r.Outcome)
				}
			case c.Start.After(back.Add(20*time.Second)) || c.Start.Before(cut):
				if r.Outcome != reading.OK {
					t.Errorf("fan %d, %v after the return: %s", i, c.Start.Sub(back), r.Outcome)
				}
			}
		}
	}
	if logged.FilterMessageSnippet("no device answers").Len() != 1 || logged.FilterMessageSnippet("devices answer again").Len() != 1 || logged.Len() != 2 {
		t.Errorf("log: %v", logged.All())
	}
}

// A conversation that cannot be opened is tried again, and every fan has its failed
// reading meanwhile.
func TestAGatewayThatCannotBeOpened(t *testing.T) {
	s, fleet := campus(2)
	s.refused = errors.New("no such host")
	cycles, logged := s.during(t, fleet, func(*poller.Poller) {
		time.Sleep(30 * time.Second)
		s.set(func() { s.refused = nil })
		time.Sleep(30 * time.Second)
	})
	for _, c := range cycles[:5] {
		if c.Readings[0].Outcome != reading.Refused || c.Readings[1].Outcome != reading.Refused {
			t.Errorf("%s, %s", c.Readings[0].Outcome, c.Readings[1].Outcome)
		}
	}
	last := cycles[len(cycles)-1]
	if last.Readings[0].Outcome != reading.OK || logged.FilterMessageSnippet("gateway lost").Len() != 1 || logged.FilterMessageSnippet("gateway is back").Len() != 1 {
		t.Errorf("%s; log: %v", last.Readings[0].Outcome, logged.All())
	}
}

// A gateway without fans has its cycles, and asks nobody.
func TestABACnetGatewayWithoutFans(t *testing.T) {
	s, fleet := campus(1)
	fleet.Fans = nil
	s.refused = errors.New("it was opened")
	cycles, logged := s.awhile(t, fleet, time.Minute)
	if len(cycles) < 11 || logged.Len() > 0 {
		t.Errorf("%d cycles; log: %v", len(cycles), logged.All())
	}
}

// One datagram in five is lost, whichever, and no fan is without a reading for long,
// be it read by multiple reads or singly.
func TestOneDatagramInFiveIsLost(t *testing.T) {
	for _, single := range []bool{false, true} {
		s, fleet := campus(8)
		state := uint64(1)
		s.lost = func(int) bool {
			state = state*6364136223846793005 + 1442695040888963407 // MMIX, Knuth: any even chance would do
			return state>>33%5 == 0
		}
		for _, b := range s.devices {
			b.noRPM = single
		}
		cycles, logged := s.awhile(t, fleet, 20*time.Minute)
		good := 0
		for i := range fleet.Fans {
			failed := 0
			for _, r := range of(cycles, i) {
				if good++; fleet.Fans[i].Usable(&r) {
					failed = 0
					continue
				}
				good--
				if failed++; failed > 6 { // 30 s; controller_silent takes two minutes
					t.Errorf("singly %v: fan %d has had no reading for %d cycles", single, i, failed)
				}
			}
		}
		share := float64(good) / float64(len(cycles)*len(fleet.Fans))
		t.Logf("singly %v: %.2f %% of readings are good; %d lines in the log", single, 100*share, logged.Len())
		if least := map[bool]float64{false: 0.97, true: 0.9}[single]; share < least {
			t.Errorf("singly %v: only %.1f %% of readings are good", single, 100*share)
		}
	}
}

// A cycle ends before the next is due, however slow the devices are.
func TestSlowDevices(t *testing.T) {
	s, fleet := campus(2)
	s.devices[1].took = 4900 * time.Millisecond
	fleet.Gateways[0].Timeout = 4950 * time.Millisecond
	cycles, _ := s.awhile(t, fleet, 2*time.Minute)
	for n, c := range cycles {
		if c.Missed > 0 || c.Took >= 5*time.Second {
			t.Errorf("cycle %d took %v, %d missed", n, c.Took, c.Missed)
		}
		if n > 0 && c.Readings[1].Outcome != reading.OK {
			t.Errorf("cycle %d: the quick one: %s", n, c.Readings[1].Outcome)
		}
	}
}

// A point may be in another device than its fan's; that one's silence costs the
// point alone, unless the fan cannot be judged without it.
func TestAPointInAnotherDevice(t *testing.T) {
	for point, want := range map[int]reading.Outcome{0: reading.Timeout, 1: reading.Timeout, 2: reading.OK} {
		s, fleet := campus(2)
		fleet.Fans = fleet.Fans[:1]
		fleet.Fans[0].Points[point].Unit = 2
		s.devices[2].silent = true
		cycles, _ := s.awhile(t, fleet, time.Minute)
		for _, r := range of(cycles, 0) {
			if r.Outcome != want {
				t.Errorf("%s in a silent device: %s, want %s", fleet.Fans[0].Points[point].Point, r.Outcome, want)
			}
		}
	}
}

func TestWhatABACnetGatewaySaysForAll(t *testing.T) {
	s, fleet := campus(2)
	s.add(9).object(bacnet.AnalogInput, 7, bacnet.RealValue(12.5), 62)
	fleet.Gateways[0].Points = []config.PlacedPoint{objectPoint(reading.OutdoorTemperature, 9, bacnet.AnalogInput, 7, "C")}
	cycles, _ := s.awhile(t, fleet, 16*time.Second)
	for _, c := range cycles {
		for i := range c.Readings {
			if got, good := c.Readings[i].Get(reading.OutdoorTemperature); !good || got != 12.5 {
				t.Errorf("fan %d: %v %v", i, got, good)
			}
		}
	}
}

func TestReloadAndLendOfObjects(t *testing.T) {
	s, fleet := campus(2)
	s.devices[2].silent = true
	other := *fleet
	gateway := *fleet.Gateways[0]
	gateway.Timeout = time.Second
	other.Gateways, other.Fans = []*config.Gateway{&gateway}, nil
	for _, f := range fleet.Fans {
		moved := *f
		moved.Gateway = &gateway
		other.Fans = append(other.Fans, &moved)
	}
	cycles, logged := s.during(t, fleet, func(p *poller.Poller) {
		time.Sleep(time.Minute)
		reads := func() (n int) {
			s.set(func() { n = s.devices[1].asked[bacnet.ServiceReadPropertyMultiple] })
			return n
		}
		asked := reads()
		p.Reload(fleet, func() {})
		p.Reload(&other, func() {
			if s.open > 0 {
				t.Error("a reload left the old conversation open")
			}
		})
		time.Sleep(time.Minute)
		back, err := p.Lend("alder-bus")
		if err != nil || s.open > 0 {
			t.Fatalf("lent: %v, %d open", err, s.open)
		}
		before := reads()
		time.Sleep(time.Minute)
		if got := reads(); got != before || got == asked {
			t.Errorf("%d requests before the reload, %d at the loan, %d after", asked, before, got)
		}
		back()
		time.Sleep(time.Minute)
	})
	if n := logged.FilterMessageSnippet("device does not answer").Len(); n != 1 {
		t.Errorf("who is silent was told %d times over a reload and a loan", n)
	}
	if last := cycles[len(cycles)-1]; last.Readings[0].Outcome != reading.OK || len(cycles) < 33 {
		t.Errorf("%d cycles, the last %s", len(cycles), last.Readings[0].Outcome)
	}
}
