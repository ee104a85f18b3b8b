package field

import (
	"errors"
	"fmt"
	"math"
	"net"
	"net/netip"
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// objectsFleet is a building on BACnet: two devices behind the router, of which
// one has two fans, and two on the IP network.
const objectsFleet = `
[pointmaps.objects]
protocol = "bacnet"
stride = 10
[pointmaps.objects.points]
pressure = {object = "analog-input,3", unit = "Pa"}
setpoint = {object = "analog-value,9", unit = "inH2O"}
speed = {object = "analog-output,1", unit = "%%"}
force_speed = {object = "analog-output,1", unit = "%%", priority = 10}
high_speed = {object = "binary-input,2"}
enable = {object = "binary-value,2", invert = true}
running = {object = "multi-state-value,4", states = [2, 3]}
max_speed = {object = "analog-output,1", property = "max-pres-value", unit = "%%"}
power = {object = "analog-input,5", scale = 1000, unit = "W"}
energy = {object = "object-type-48,1", unit = "kWh"}

[pointmaps.apart]
protocol = "bacnet"
[pointmaps.apart.points]
airflow = {object = "analog-input,0", unit = "cfm", device_unit = "Pa"}
speed = {object = "analog-input,1", unit = "%%"}
force_speed = {object = "analog-value,1", unit = "%%", priority = 12}
force_on = {object = "binary-output,1", priority = 12}
setpoint = {object = "analog-value,1", unit = "cfm", device = 1299}

[[buildings]]
id = "b"
[[gateways]]
id = "g"
building = "b"
url = "bacnet://%s"
timeout = "200ms"
[[fans]]
id = "f1"
gateway = "g"
unit = 1203
pointmap = "objects"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "f2"
gateway = "g"
unit = 1203
slot = 1
pointmap = "objects"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "f3"
gateway = "g"
unit = 5
pointmap = "objects"
probe = "suction"
setpoint = "-30 Pa"
[[fans]]
id = "f4"
gateway = "g"
unit = 6
pointmap = "apart"
controls = "airflow"
setpoint = "900 cfm"
`

// freeUDP returns a port of the loopback that nobody listens on.
func freeUDP(t testing.TB) int {
	t.Helper()
	conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	return conn.LocalAddr().(*net.UDPAddr).Port
}

func objectsOnOwnPort(t testing.TB) *config.Fleet {
	t.Helper()
	return fleetFrom(t, fmt.Sprintf(objectsFleet, fmt.Sprintf("127.0.0.1:%d", freeUDP(t))))
}

// talking is a client of a fleet's BACnet gateway.
func talking(t testing.TB, fleet *config.Fleet, o bacnet.Options) *bacnet.Client {
	t.Helper()
	conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := netip.MustParseAddrPort(fleet.Gateways[0].Address)
	if o.Broadcast = at; o.BBMD.IsValid() {
		o.BBMD, o.Broadcast = at, netip.AddrPort{}
	}
	if o.APDUTimeout == 0 {
		o.APDUTimeout = 3 * time.Second
	}
	c := bacnet.New(conn, o)
	t.Cleanup(func() { c.Close() })
	return c
}

func ref(text string, property bacnet.PropertyID) bacnet.Reference {
	o, ok := bacnet.ParseObject(text)
	if !ok {
		panic(text)
	}
	return bacnet.Reference{Object: o, Property: property}
}

// value reads one number.
func value(t *testing.T, c *bacnet.Client, device uint32, object string) float64 {
	t.Helper()
	values, err := c.Read(t.Context(), device, ref(object, bacnet.PresentValue))
	if err != nil || len(values) != 1 {
		t.Fatalf("%s of device %d: %v, %v", object, device, values, err)
	}
	n, _ := values[0].Number()
	return n
}

// Every point comes over the wire as what the model has, whatever kind of object
// it is, as the fleet file decodes it.
func TestAFieldIsReadOverBACnet(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{})
	for _, fan := range fleet.Fans {
		var want reading.Reading
		s.With(func(f *Field) { f.Reading(fan.ID, &want) })
		for _, p := range fan.Points {
			if p.Point.Output() {
				continue
			}
			values, err := c.Read(t.Context(), uint32(p.Unit), p.Object)
			if err != nil || len(values) != 1 {
				t.Errorf("%s %s at %s: %v, %v", fan.ID, p.Point, p.Where(), values, err)
				continue
			}
			pair, ok := values[0].Words()
			words := pair[:]
			if p.Words() == 1 {
				word, _ := values[0].Contact(p.States)
				words = []uint16{word}
			}
			got, q := p.Encoding.Decode(words)
			if v, good := want.Get(p.Point); !ok || q != reading.Good || !good || math.Abs(got-v) > 1e-6*math.Abs(v) && p.Point != reading.Energy {
				t.Errorf("%s %s at %s: %v (%s), want %v", fan.ID, p.Point, p.Where(), got, q, v)
			}
		}
	}
}

func TestDevicesStandWhereTheirInstanceSays(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	serving(t, fleet)
	for name, o := range map[string]bacnet.Options{"a broadcast": {}, "a foreign device": {BBMD: netip.AddrPortFrom(netip.IPv4Unspecified(), 1)}} {
		c := talking(t, fleet, o)
		if o.BBMD.IsValid() {
			if err := c.Register(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
		var found []bacnet.Device
		until(t, "four devices are found", func() bool {
			var err error
			found, err = c.Discover(t.Context(), bacnet.WhoIs{}, 50*time.Millisecond)
			return err == nil && len(found) == 4
		})
		slices.SortFunc(found, func(a, b bacnet.Device) int { return int(a.Instance) - int(b.Instance) })
		url := netip.MustParseAddrPort(fleet.Gateways[0].Address)
		for i, want := range []struct {
			instance uint32
			atURL    bool
			network  bacnet.Network
			size     uint32
		}{{5, true, bacnet.Network{}, 1476}, {6, false, bacnet.Network{}, 1476}, {1203, true, bacnet.Network{Number: 12, MAC: "\x03"}, 480},
			{1299, true, bacnet.Network{Number: 12, MAC: "c"}, 480}} {
			d := found[i]
			if d.Instance != want.instance || (d.Station.Via == url) != want.atURL || d.Station.Network != want.network || d.MaxAPDU != want.size {
				t.Errorf("%s finds %+v, want %+v", name, d, want)
			}
		}
	}
}

// What is commanded at a priority drives the fan, and what is relinquished gives
// it back to its controller.
func TestAFanIsForcedAndReleased(t *testing.T) {
	for _, at := range []struct {
		fan      reading.FanID
		device   uint32
		speed    string
		force    string
		on       string
		priority uint8
	}{{"f1", 1203, "analog-output,1", "analog-output,1", "", 10}, {"f2", 1203, "analog-output,11", "analog-output,11", "", 10},
		{"f4", 6, "analog-input,1", "analog-value,1", "binary-output,1", 12}} {
		fleet := objectsOnOwnPort(t)
		s := serving(t, fleet)
		c := talking(t, fleet, bacnet.Options{})
		forced := func() (on, speed float64) {
			s.With(func(f *Field) {
				f.Step(2 * time.Second)
				on, _ = f.Value(at.fan, reading.Override)
				speed, _ = f.Value(at.fan, reading.Speed)
			})
			return on, speed
		}
		write := func(object string, v bacnet.Value) {
			t.Helper()
			if err := c.Write(t.Context(), at.device, bacnet.Write{Reference: ref(object, bacnet.PresentValue), Value: v, Priority: at.priority}); err != nil {
				t.Fatal(at.fan, err)
			}
		}
		write(at.force, bacnet.RealValue(37.5))
		if at.on != "" {
			if on, _ := forced(); on != 0 {
				t.Errorf("%s is forced before force_on", at.fan)
			}
			write(at.on, bacnet.EnumeratedValue(1))
		}
		if on, speed := forced(); on != 1 || speed != 0.375 || value(t, c, at.device, at.speed) != 37.5 {
			t.Errorf("%s is forced %v to %v", at.fan, on, speed)
		}
		p := ref(at.force, bacnet.PriorityArray)
		p.Indexed, p.Index = true, uint32(at.priority)
		if held, err := c.Read(t.Context(), at.device, p); err != nil || held[0].Type != bacnet.Real {
			t.Errorf("%s: at its priority stands %v, %v", at.fan, held, err)
		}
		write(at.force, bacnet.NullValue())
		if at.on != "" {
			write(at.on, bacnet.NullValue())
		}
		if on, _ := forced(); on != 0 {
			t.Errorf("%s is still forced", at.fan)
		}
		if held, err := c.Read(t.Context(), at.device, p); err != nil || held[0].Type != bacnet.Null {
			t.Errorf("%s: once relinquished there stands %v, %v", at.fan, held, err)
		}
	}
}

// A change of the field reaches who subscribed.
func TestAChangeIsTold(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{})
	told := make(chan float64, 100)
	_, err := c.Watch(t.Context(), 1203, ref("binary-input,2", 0).Object, true, time.Minute, func(n bacnet.COVNotification) {
		v, _ := n.Values[0].Values[0].Number()
		told <- v
	})
	if err != nil {
		t.Fatal(err)
	}
	if v := <-told; v != 0 {
		t.Errorf("first it is told %v", v)
	}
	if err := s.Put(Fault{Fan: "f1", Kind: ContactClosed}); err != nil {
		t.Fatal(err)
	}
	select {
	case v := <-told:
		if v != 1 {
			t.Errorf("then it is told %v", v)
		}
	case <-time.After(patience):
		t.Error("nothing is told of a change")
	}
}

func TestABACnetGatewayIsSwitchedOffAndOn(t *testing.T) {
	fleet := objectsOnOwnPort(t)
	s := serving(t, fleet)
	c := talking(t, fleet, bacnet.Options{APDUTimeout: 20 * time.Millisecond, Retries: -1})
	answers := func() bool {
		_, err := c.Read(t.Context(), 1203, ref("analog-input,3", bacnet.PresentValue))
		return err == nil
	}
	until(t, "it answers", answers)
	if err := s.Put(Fault{Gateway: "g", Kind: GatewayOff}); err != nil {
		t.Fatal(err)
	}
	until(t, "it does not answer", func() bool { return !answers() })
	s.Clear("", "g", GatewayOff)
	until(t, "it answers again", answers)
}

func TestBACnetIsServedOnTheLoopbackOfIPv4Only(t *testing.T) {
	for address, want := range map[string]bool{"127.0.0.1:47808": true, "127.9.9.9:47808": true, "localhost:47808": true,
		"[::1]:47808": false, "10.0.0.1:47808": false, "0.0.0.0:47808": false, "10.255.255.255:47808": false} {
		g := &config.Gateway{Scheme: config.BACnet, Address: address, URL: "bacnet://" + address}
		if why := leaveOut(g); (why == "") != want {
			t.Errorf("%s: %q", address, why)
		}
	}
}

func refusal(err error) string {
	var failed *bacnet.RemoteError
	var rejected *bacnet.Reject
	var aborted *bacnet.Abort
	switch {
	case errors.As(err, &failed):
		return "error"
	case errors.As(err, &rejected):
		return "reject"
	case errors.As(err, &aborted):
		return "abort"
	case errors.Is(err, bacnet.ErrTimeout):
		return "silence"
	case err != nil:
		return err.Error()
	}
	return ""
}
