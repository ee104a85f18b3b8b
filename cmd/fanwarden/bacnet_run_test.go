package main

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// objectRun is a fleet of five BACnet fans around the point map that --discover
// proposed; the holds are short, so that what stands is raised within seconds.
const objectRun = `
[fleet]
name = "Test campus"
poll_every = "500ms"
stale_after = "3s"
[web]
listen = "127.0.0.1:0"
[rules.pinned_at_max]
hold = "1s"
[rules.stuck_idle]
hold = "1s"
[rules.inverted_sign]
hold = "1s"
[rules.controller_silent]
hold = "3s"
[rules.gateway_down]
hold = "3s"
MAP
[[buildings]]
id = "north"
[[gateways]]
id = "roof"
building = "north"
url = "URL"
timeout = "50ms"
`

const objectRunFan = `
[[fans]]
id = %q
gateway = "roof"
unit = %d
pointmap = "device-1201"
probe = "suction"
setpoint = "-45 Pa"
idle_below = "20 %%"
restart_rise = "60 Pa"
start_delay = "1s"
`

// TestRunOfObjects is BACnet from end to end on a stack that somebody else wrote: the
// devices are discovered, the point map that comes of it is read by a daemon, many
// properties at a time, and by one where a device knows no more; it flags the three
// fans that are ill, shows nothing of a value that the device does not stand by, and
// loses no fan over ten seconds in which a datagram in five is lost.
func TestRunOfObjects(t *testing.T) {
	t.Parallel()
	p := startBACnet(t)
	names := []string{"healthy", "pinned", "idle", "inverted", "singly"}
	for i, id := range names {
		p.do("fan %d phase=%d", 1201+i, i)
		if id != "healthy" && id != "singly" {
			p.do("mode %d %s", 1201+i, id)
		}
	}
	p.do("multiple 1205 no")
	url := "bacnet://127.0.0.1:" + p.port
	status, block, stderr := runCommand(t, "points", "--discover", "--url", url, "--wait", "600ms")
	if status != allWell {
		t.Fatalf("status %d, %s", status, stderr)
	}
	text := strings.NewReplacer("MAP", block, "URL", url).Replace(objectRun)
	for i, id := range names {
		text += fmt.Sprintf(objectRunFan, id, 1201+i)
	}
	file := writeFleet(t, text)
	if _, out, stderr := runCommand(t, "check", "--config", file); !strings.Contains(out, "5 devices") {
		t.Errorf("check says %s%s", out, stderr)
	}
	d := startDaemon(t, file)
	want(t, "what stands", threeWrong, d.active)
	objectValues(t, p, d)

	p.do("lose 0.2")
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for range 20 {
		<-tick.C
		if is := d.active(); is != threeWrong {
			t.Errorf("with a datagram in five lost %q stands", is)
			break
		}
	}
	for _, id := range names {
		series := fmt.Sprintf(`fanwarden_fan_up{building="north",fan=%q}`, id)
		want(t, series, "1", func() string { return d.metrics()[series] })
	}
	p.do("lose 0")

	p.do("silent 1201 yes")
	d.await(event{Event: "raised", Fan: "healthy", Condition: "controller_silent"})
	p.do("silent 1201 no")
	d.await(event{Event: "cleared", Fan: "healthy", Condition: "controller_silent"})
	d.stop()
	for _, e := range d.seen {
		if e.Event == "raised" && (e.Condition == "gateway_down" || e.Condition == "line_silent" || e.Condition == "controller_silent" && e.Fan != "healthy") {
			t.Errorf("raised: %+v", e)
		}
	}
	for i, id := range names {
		multiple, single, writes := p.asked(1201 + i)
		if writes != 0 || id == "singly" && (single < 50 || multiple > 3) || id != "singly" && (multiple < 5 || single > multiple) {
			t.Errorf("%s was asked %d times for many and %d times for one, and written to %d times", id, multiple, single, writes)
		}
	}
}

// objectValues compares what is exported with what the devices hold, with and without
// a flag.
func objectValues(t *testing.T, p *peer, d *runningDaemon) {
	t.Helper()
	const pressure, speed, contact = `fanwarden_pressure_pascals{building="north",fan="singly"}`, `fanwarden_speed_ratio{building="north",fan="healthy"}`,
		`fanwarden_high_speed_contact{building="north",fan="healthy"}`
	p.do("mode 1201 still")
	p.do("mode 1205 still")
	p.do("set 1205 analog-input,1 present-value -44.5")
	p.do("set 1201 binary-input,1 present-value 1")
	want(t, pressure, "-44.5", func() string { return d.metrics()[pressure] })
	want(t, contact, "1", func() string { return d.metrics()[contact] })
	p.do("flags 1205 analog-input,1 overridden")
	want(t, "pressure of an overridden object", "", func() string { return d.metrics()[pressure] })
	if _, body := d.get("/api/v1/fans/singly"); !strings.Contains(body, `"overridden"`) {
		t.Errorf("the fan's page does not say that its pressure is overridden: %s", body)
	}
	if d.metrics()[speed] == "" {
		t.Error("another fan lost its speed")
	}
	p.do("flags 1205 analog-input,1")
	want(t, pressure, "-44.5", func() string { return d.metrics()[pressure] })
	p.do("mode 1201 normal")
	p.do("mode 1205 normal")
}
