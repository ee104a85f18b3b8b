package field

import (
	"context"
	"math"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// property reads one property and returns its value as text, or how it was refused.
func property(t *testing.T, c *bacnet.Client, device uint32, r bacnet.Reference) (bacnet.Value, string) {
	t.Helper()
	values, err := c.Read(t.Context(), device, r)
	if err != nil || len(values) == 0 {
		return bacnet.Value{}, refusal(err)
	}
	return values[0], ""
}

// A device says of its own values what is wrong with them, and a poll without any
// trouble on the way would bring the same.
func TestWhatADeviceSaysOfItsValues(t *testing.T) {
	for kind, want := range map[Kind]struct {
		point   reading.Point
		quality reading.Quality
		object  string
		flags   bacnet.StatusFlags
		rely    bacnet.Reliability
	}{
		ObjectFault:  {reading.Pressure, reading.Faulty, "analog-input,3", bacnet.StatusFlags{Fault: true}, 7},
		OutOfService: {reading.Pressure, reading.OutOfService, "analog-input,3", bacnet.StatusFlags{OutOfService: true}, 0},
		Overridden:   {reading.Speed, reading.Overridden, "analog-output,1", bacnet.StatusFlags{Overridden: true}, 0},
		WrongUnit:    {reading.Pressure, reading.OtherUnit, "analog-input,3", bacnet.StatusFlags{}, 0},
	} {
		fleet := objectsOnOwnPort(t)
		s := serving(t, fleet, Fault{Fan: "f1", Kind: kind})
		c := talking(t, fleet, bacnet.Options{})
		v, _ := property(t, c, 1203, ref(want.object, bacnet.StatusFlagsOf))
		if flags, ok := v.Flags(); !ok || flags != want.flags {
			t.Errorf("%s: %s has the flags %+v", kind, want.object, flags)
		}
		v, _ = property(t, c, 1203, ref(want.object, bacnet.ReliabilityOf))
		if rely, ok := v.Reliability(); !ok || rely != want.rely {
			t.Errorf("%s: %s is %s", kind, want.object, rely)
		}
		v, _ = property(t, c, 1203, ref("analog-input,3", bacnet.UnitsOf))
		if unit, _ := v.Units(); unit != 53 != (kind == WrongUnit) {
			t.Errorf("%s: the pressure is stated in %s", kind, unit)
		}
		v, _ = property(t, c, 1203, ref("analog-input,13", bacnet.StatusFlagsOf))
		if flags, _ := v.Flags(); flags != (bacnet.StatusFlags{}) {
			t.Errorf("%s: the other fan of the device has the flags %+v", kind, flags)
		}
		var r reading.Reading
		s.With(func(f *Field) { f.Reading("f1", &r) })
		if got := r.Quality(want.point); got != want.quality || r.Quality(reading.Setpoint) != reading.Good || r.Outcome != reading.Invalid {
			t.Errorf("%s: a reading has %s of quality %q, want %q", kind, want.point, got, want.quality)
		}
	}
}

func TestAUnitIsStatedAsThePointMapHasIt(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{})
	for _, at := range []struct {
		device uint32
		object string
		want   string
	}{{1203, "analog-input,3", "Pa"}, {1203, "analog-value,9", "inH2O"}, {1203, "analog-output,1", "%"},
		{1203, "analog-input,5", "kW"}, // a thousand watts each
		{6, "analog-input,0", "Pa"},    // wrong, as the point map says
		{1299, "analog-value,1", "cfm"}} {
		v, refused := property(t, c, at.device, ref(at.object, bacnet.UnitsOf))
		if unit, _ := v.Units(); unit.String() != at.want {
			t.Errorf("%s is stated in %s%s, want %s", at.object, unit, refused, at.want)
		}
	}
}

func TestPolarityTurnsTheHighSpeedContact(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{})
	for _, turned := range []bool{false, true} {
		if turned {
			if err := s.Put(Fault{Fan: "f1", Kind: PolarityTurned}); err != nil {
				t.Fatal(err)
			}
		}
		v, _ := property(t, c, 1203, ref("binary-input,2", bacnet.PolarityOf))
		polarity, ok := v.Polarity()
		if closed := value(t, c, 1203, "binary-input,2"); !ok || (polarity == bacnet.Reverse) != turned || (closed == 1) != turned {
			t.Errorf("turned %t: polarity %d, closed %v", turned, polarity, closed)
		}
	}
}

func TestPeopleHoldAFanAtTheirPriority(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet, Fault{Fan: "f1", Kind: LeftInHand, Size: 0.5})
	s.With(func(f *Field) { f.Step(5 * time.Second) })
	p := ref("analog-output,1", bacnet.PriorityArray)
	p.Indexed, p.Index = true, 8
	v, _ := property(t, talking(t, fleet, bacnet.Options{}), 1203, p)
	if n, _ := v.Number(); v.Type != bacnet.Real || n != 50 {
		t.Errorf("at priority 8 stands %v", v)
	}
}

// many is what a poll of a whole device asks for.
func many() (all []bacnet.Reference) {
	for _, object := range []string{"analog-input,3", "analog-value,9", "analog-output,1", "binary-input,2", "binary-value,2", "analog-input,13",
		"analog-value,19", "analog-output,11", "binary-input,12", "binary-value,12"} {
		for _, p := range []bacnet.PropertyID{bacnet.PresentValue, bacnet.StatusFlagsOf, bacnet.ReliabilityOf, bacnet.ObjectName} {
			all = append(all, ref(object, p))
		}
	}
	return all
}

// everything reads a whole device and wants every value.
func everything(t *testing.T, c *bacnet.Client, device uint32) {
	t.Helper()
	got, err := c.ReadAll(t.Context(), device, many())
	if err != nil || len(got) != len(many()) {
		t.Fatalf("%d results, %v", len(got), err)
	}
	for _, r := range got {
		if r.Err != nil || len(r.Values) != 1 {
			t.Errorf("%s: %v, %v", r.Reference, r.Values, r.Err)
		}
	}
}

// A client that takes care loses nothing to any of these.
func TestADeviceIsReadInSpiteOf(t *testing.T) {
	for name, c := range map[string]struct {
		fault Fault
		first string // what a multiple read of everything is answered by
	}{
		"nothing":         {Fault{Gateway: "g", Kind: SlowLine, Size: 0.001}, ""},
		"errors":          {Fault{Fan: "f1", Kind: RefusesMultiple}, "error"},
		"rejects":         {Fault{Fan: "f1", Kind: RefusesMultiple, Size: 2}, "reject"},
		"aborts":          {Fault{Fan: "f2", Kind: RefusesMultiple, Size: 3}, "abort"},
		"short messages":  {Fault{Fan: "f1", Kind: SmallAPDU}, ""},
		"128 bytes":       {Fault{Fan: "f1", Kind: SmallAPDU, Size: 128}, ""},
		"slow answers":    {Fault{Gateway: "g", Kind: SlowLine, Size: 0.01}, ""},
		"answers twice":   {Fault{Gateway: "g", Kind: AnswersTwice}, ""},
		"lost datagrams":  {Fault{Gateway: "g", Kind: LosesDatagrams}, ""},
		"many lost":       {Fault{Gateway: "g", Kind: LosesDatagrams, Size: 0.3}, ""},
		"garbage":         {Fault{Gateway: "g", Kind: SendsGarbage}, ""},
		"late answers":    {Fault{Gateway: "g", Kind: AnswersLate}, ""},
		"another address": {Fault{Fan: "f1", Kind: Moved}, ""},
	} {
		fleet := objectsOnOwnPort(t)
		fleet.Gateways[0].Timeout = 50 * time.Millisecond
		serving(t, fleet, c.fault)
		client := talking(t, fleet, bacnet.Options{APDUTimeout: 50 * time.Millisecond, Retries: 30})
		t.Run(name, func(t *testing.T) {
			everything(t, client, 1203)
			if _, err := client.Read(t.Context(), 1203, ref("analog-input,999", bacnet.PresentValue)); refusal(err) != "error" {
				t.Errorf("what is not there: %v", err)
			}
		})
	}
}

func TestADeviceThatMovesIsFoundAgain(t *testing.T) {
	for fan, device := range map[reading.FanID]uint32{"f1": 1203, "f3": 5, "f4": 6} {
		fleet := objectsOnOwnPort(t)
		s := serving(t, fleet)
		c := talking(t, fleet, bacnet.Options{APDUTimeout: 100 * time.Millisecond, Retries: -1})
		name := ref("device,1", bacnet.ObjectName)
		name.Object.Instance = device
		stands := func() netip.AddrPort {
			var found []bacnet.Device
			until(t, "the device is found", func() bool {
				c.Forget(device) // else another that calls itself the same is not believed
				var err error
				found, err = c.Discover(t.Context(), bacnet.WhoIs{Limited: true, Low: device, High: device}, 50*time.Millisecond)
				return err == nil && len(found) == 1
			})
			if found[0].Station.Network.Number != 0 {
				return netip.AddrPortFrom(netip.Addr{}, uint16(found[0].Station.Network.MAC[0]))
			}
			return found[0].Station.Via
		}
		before := stands()
		if err := s.Put(Fault{Fan: fan, Kind: Moved}); err != nil {
			t.Fatal(err)
		}
		if _, refused := property(t, c, device, name); refused != "silence" {
			t.Errorf("%s at its old address: %q", fan, refused)
		}
		if after := stands(); after == before {
			t.Errorf("%s still stands at %s", fan, after)
		}
		until(t, "it answers at its new address", func() bool {
			_, refused := property(t, c, device, name)
			return refused == ""
		})
		s.Clear(fan, "", Moved)
		if after := stands(); after != before {
			t.Errorf("%s stands at %s and not where it did", fan, after)
		}
	}
}

// Who is silent, and who is not, for each trouble that silences.
func TestWhoIsSilent(t *testing.T) {
	for name, c := range map[string]struct {
		faults []Fault
		silent []uint32
	}{
		"nobody":                       {nil, nil},
		"a device of two fans":         {[]Fault{{Fan: "f2", Kind: SilentUnit}}, []uint32{1203}},
		"a device on the IP network":   {[]Fault{{Fan: "f4", Kind: SilentUnit}}, []uint32{6}},
		"all that is behind":           {[]Fault{{Gateway: "g", Kind: TrunkCut}}, []uint32{1203, 1299}},
		"a gateway that answers zeros": {[]Fault{{Fan: "f1", Kind: SilentUnit}, {Gateway: "g", Kind: ZeroFills}}, nil},
	} {
		fleet := objectsOnOwnPort(t)
		s := serving(t, fleet, c.faults...)
		client := talking(t, fleet, bacnet.Options{APDUTimeout: 100 * time.Millisecond, Retries: 4})
		var asked sync.WaitGroup
		for device, object := range map[uint32]string{1203: "analog-input,3", 1299: "analog-value,1", 5: "analog-input,3", 6: "analog-input,1"} {
			asked.Go(func() {
				_, refused := property(t, client, device, ref(object, bacnet.PresentValue))
				if silent := slices.Contains(c.silent, device); silent != (refused == "silence") || !silent && refused != "" {
					t.Errorf("%s: device %d: %q", name, device, refused)
				}
			})
		}
		asked.Wait()
		if strings.Contains(name, "zeros") {
			if v, other := value(t, client, 1203, "analog-input,3"), value(t, client, 5, "analog-input,3"); v != 0 || other == 0 {
				t.Errorf("%s: what is lost is %v, what is not %v", name, v, other)
			}
		}
		s.Close()
	}
}

func TestAGatewayOfBACnetRepeatsWhatItLastRead(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{})
	step := func() float64 {
		s.With(func(f *Field) { f.Step(time.Minute) })
		return value(t, c, 1203, "analog-input,3")
	}
	before := step()
	if err := s.Put(Fault{Gateway: "g", Kind: RepeatsOld}); err != nil {
		t.Fatal(err)
	}
	if v := step(); v != before {
		t.Errorf("it reads %v, want %v as before", v, before)
	}
	s.Clear("", "g", RepeatsOld)
	if v := step(); v == before {
		t.Errorf("it still reads %v", v)
	}
}

func TestTroublesKeepToTheirProtocol(t *testing.T) {
	bus := New(objectsOnOwnPort(t), 1, noon)
	line := New(wideFleet(t, "tcp", "", 1), 1, noon)
	for _, k := range Kinds() {
		fault := Fault{Gateway: "g", Kind: k}
		if k.OfFan() {
			fault = Fault{Fan: "f1", Kind: k}
		}
		for f, protocol := range map[*Field]string{bus: "bacnet", line: "modbus"} {
			err := f.allows(fault)
			if apart := k.Only() != "" && k.Only() != protocol; apart != (err != nil && strings.Contains(err.Error(), "speaks "+protocol)) {
				t.Errorf("%s on %s: %v", k, protocol, err)
			}
		}
	}
}

// The same seed loses the same datagrams.
func TestDatagramsAreLostByTheSeed(t *testing.T) {
	lost := func(seed uint64) string {
		fleet := objectsOnOwnPort(t)
		f := New(fleet, 1, noon)
		if err := f.Put(Fault{Gateway: "g", Kind: LosesDatagrams}); err != nil {
			t.Fatal(err)
		}
		s := newSite(context.Background(), fleet.Gateways[0], &Server{field: f, start: noon}, seed)
		pattern := ""
		for range 1000 {
			if s.loses() {
				pattern += "-"
			} else {
				pattern += "+"
			}
		}
		return pattern
	}
	if n := strings.Count(lost(1), "-"); math.Abs(float64(n)-200) > 40 {
		t.Errorf("of 1000 datagrams %d are lost, want one in five", n)
	}
	if lost(1) != lost(1) || lost(1) == lost(2) {
		t.Error("what is lost is not as the seed has it")
	}
}
