package main

import (
	"fmt"
	"net"
	"net/http"
	"strings"
	"testing"

	"fanwarden/poller/bacnet"
)

// fansOnBACnet is two fans that are BACnet devices behind one router.
const fansOnBACnet = `
[fleet]
poll_every = "1s"
stale_after = "4s"
[web]
listen = "127.0.0.1:0"
[store]
dir = ""

[pointmaps.objects]
protocol = "bacnet"
[pointmaps.objects.points]
pressure = { object = "analog-input,1", unit = "inH2O" }
speed = { object = "analog-output,1", unit = "%%" }
high_speed = { object = "binary-input,1" }

[[buildings]]
id = "east"
[[gateways]]
id = "router"
building = "east"
url = "bacnet://127.0.0.1:%d"
timeout = "300ms"
[[fans]]
id = "one"
gateway = "router"
unit = 1201
pointmap = "objects"
probe = "suction"
setpoint = "-0.12 inH2O"
[[fans]]
id = "two"
gateway = "router"
unit = 1202
pointmap = "objects"
probe = "suction"
setpoint = "-0.12 inH2O"
`

// freeUDP returns a port of UDP that nobody listens on.
func freeUDP(t *testing.T) int {
	t.Helper()
	conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	return conn.LocalAddr().(*net.UDPAddr).Port
}

// What the daemon exports of a simulated BACnet building is what a client reads
// from its devices, and a trouble that is put on shows in both.
func TestSimServesABACnetBuilding(t *testing.T) {
	port := freeUDP(t)
	file := writeFleet(t, fmt.Sprintf(fansOnBACnet, port))
	s := startSim(t, file)
	for _, fan := range []string{"one", "two"} {
		for kind, size := range map[string]string{"sensor_frozen": "0", "left_in_hand": "0.6"} {
			body := fmt.Sprintf(`{"fan": %q, "kind": %q, "size": %s}`, fan, kind, size)
			if status, answer := s.call("POST", "/faults", "application/json", body); status != http.StatusOK {
				t.Fatalf("%s: %d, %s", body, status, answer)
			}
		}
	}
	c := bacnetClient(t, &peer{port: fmt.Sprint(port)})
	read := func(device uint32, text string) string {
		object, _ := bacnet.ParseObject(text)
		values, err := c.Read(t.Context(), device, bacnet.Reference{Object: object, Property: bacnet.PresentValue})
		if err != nil {
			return err.Error()
		}
		n, _ := values[0].Number()
		return fmt.Sprintf("%.4g", n)
	}
	d := startDaemon(t, file)
	exported := func(fan, metric string, scale float64) func() string {
		return func() string {
			var n float64
			fmt.Sscan(d.metrics()[fmt.Sprintf(`%s{building="east",fan="%s"}`, metric, fan)], &n)
			return fmt.Sprintf("%.4g", n*scale)
		}
	}
	for fan, device := range map[string]uint32{"one": 1201, "two": 1202} {
		want(t, "the speed of "+fan, "60", func() string { return read(device, "analog-output,1") })
		want(t, "the speed of "+fan+" in the metrics", "60", exported(fan, "fanwarden_speed_ratio", 100))
		want(t, "the pressure of "+fan, read(device, "analog-input,1"), exported(fan, "fanwarden_pressure_pascals", 1/249.08891)) // NIST SP 811
	}
	pressure := func() string { return d.metrics()[`fanwarden_pressure_pascals{building="east",fan="two"}`] }
	if pressure() == "" {
		t.Error("no pressure is exported")
	}
	if status, answer := s.call("POST", "/faults", "application/json", `{"fan": "two", "kind": "out_of_service"}`); status != http.StatusOK {
		t.Fatalf("%d, %s", status, answer)
	}
	want(t, "the pressure that is out of service", "", pressure)
	if status, answer := s.call("POST", "/faults", "application/json", `{"gateway": "router", "kind": "resets_connections"}`); status != http.StatusBadRequest ||
		!strings.Contains(answer, "speaks bacnet") {
		t.Errorf("a trouble of Modbus: %d, %s", status, answer)
	}
	d.stop()
	s.stop()
}

// A client on a stack that somebody else wrote (@bacnet-js/client) finds the
// devices behind the router, reads, commands and releases one, and is told of its
// values.
func TestAnotherStackReadsASimulatedBACnetBuilding(t *testing.T) {
	script := bacnetScript(t, "bacnet_client.cjs")
	port := freeUDP(t)
	s := startSim(t, writeFleet(t, fmt.Sprintf(fansOnBACnet, port)))
	p := startPeer(t, script[0], script[1:]...)
	for _, fan := range []string{"one", "two"} {
		if status, answer := s.call("POST", "/faults", "application/json", `{"fan": "`+fan+`", "kind": "contact_closed"}`); status != http.StatusOK {
			t.Fatalf("%d, %s", status, answer)
		}
	}
	for _, step := range []struct{ ask, want string }{
		{fmt.Sprint("who ", port), "found 12:1=1201 12:2=1202"},
		{"read 1201 device,1201 object-list 0", "read 4"},
		{"read 1201 analog-input,1 object-name", "read one pressure"},
		{"read 1201 analog-input,1 units", "read 58"}, // inches of water
		{"read 1201 binary-input,1 present-value", "read 1"},
		{"read 1201 binary-input,1 polarity", "read 0"},
		{"read 1202 analog-input,2 present-value", "refused BacnetError - Class:1 - Code:31"},
		{"many 1202 analog-input,1 analog-output,1 binary-input,1", "many 11 13 12"},
		{"write 1201 analog-output,1 10 40", "written"},
		{"read 1201 analog-output,1 present-value", "read 40"},
		{"read 1201 analog-output,1 priority-array 10", "read 40"},
		{"write 1201 analog-output,1 10 null", "written"},
		{"read 1201 analog-output,1 priority-array 10", "read null"},
		{"write 1201 analog-input,1 10 4", "refused BacnetError - Class:2 - Code:40"},
		{"watch 1201 binary-input,1 yes", "told 1"},
		{"watch 1202 binary-input,1 no", "told 1"},
	} {
		fmt.Fprintln(p.in, step.ask)
		if got := p.line(); got != step.want {
			t.Errorf("%s: %q, want %q", step.ask, got, step.want)
		}
	}
	s.stop()
}
