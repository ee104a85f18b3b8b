package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// The fleet: each gateway is a building of its own with a way out of its own, so
// that no way has more to tell than it tells at once, and each fan has a setpoint
// that no other has, which its readings stay near.
const (
	gateways = 24
	fansEach = 3
	piped    = 50 // added to the port of a gateway: that of the pipe before it
	watched  = 9  // the BACnet gateway whose devices tell of changes
)

// side is who reads a fleet file.
type side struct {
	name    string
	field   bool // the field's: gateways at their own ports, and no daemon's tables
	changed bool // the fleet file is another one, and as good
}

func gatewayID(i int) string { return fmt.Sprintf("g%02d", i) }

func fanID(i, n int) string { return fmt.Sprintf("g%02d-f%d", i, n) }

// spare is the fan that only the changed fleet file has.
var spare = fanID(0, fansEach)

// scheme spreads what gateways speak.
func scheme(i int) string {
	switch {
	case i%4 == 3:
		return "rtuovertcp"
	case i%8 == 6:
		return "udp"
	case i%8 == 1:
		return "bacnet"
	}
	return "tcp"
}

// period is how often the fans of a gateway are read. Where answers have no number,
// one that is lost is waited for until it can come no more, which takes most of a
// second.
func period(i int) time.Duration {
	if scheme(i) == "rtuovertcp" {
		return 2 * time.Second
	}
	return time.Second
}

// hasPipe reports whether a pipe stands before a gateway: where it has streams.
func hasPipe(i int) bool { return scheme(i) != "udp" && scheme(i) != "bacnet" }

// unit is the number of a fan at its gateway. BACnet devices have one that no other
// has, which also says on which network behind the gateway they are.
func unit(i, n int) int {
	if scheme(i) == "bacnet" {
		return 100*(i+1) + n + 1
	}
	return n + 1
}

const header = `[fleet]
name = "Soak %s"
poll_every = "1s"
stale_after = "5s"
timezone = "UTC"
`

// The holds of what the soak brings about are short, so that a round has time for
// it. Everything else is as it comes, and must not be raised at all.
const watching = `[web]
listen = "127.0.0.1:0"
[store]
dir = "%s"
keep = "30d"
[notify]
heartbeat = "%s/heartbeat"
heartbeat_every = "10s"
[rules.gateway_down]
hold = "10s"
[rules.line_silent]
hold = "10s"
[rules.controller_silent]
hold = "12s"
[rules.controller_fault]
hold = "5s"
[rules.settings_changed]
hold = "5s"
`

const pointMap = `[pointmaps.soak.points.pressure]
table = "input"
address = 0
type = "float32"
unit = "Pa"
[pointmaps.soak.points.setpoint]
table = "input"
address = 2
type = "float32"
unit = "Pa"
[pointmaps.soak.points.speed]
table = "input"
address = 4
type = "uint16"
scale = 0.01
unit = "%"
[pointmaps.soak.points.rpm]
table = "input"
address = 5
type = "float32"
unit = "rpm"
[pointmaps.soak.points.min_speed]
table = "input"
address = 7
type = "uint16"
scale = 0.01
unit = "%"
[pointmaps.soak.points.high_speed]
table = "input"
address = 8
type = "uint16"
bit = 0
[pointmaps.soak.points.fault]
table = "input"
address = 8
type = "uint16"
bit = 3
`

const objectMap = `[pointmaps.objects]
protocol = "bacnet"
[pointmaps.objects.points.pressure]
object = "analog-input,0"
unit = "Pa"
[pointmaps.objects.points.setpoint]
object = "analog-value,0"
unit = "Pa"
[pointmaps.objects.points.speed]
object = "analog-output,0"
unit = "%"
[pointmaps.objects.points.rpm]
object = "analog-input,1"
unit = "rpm"
[pointmaps.objects.points.min_speed]
object = "analog-value,1"
unit = "%"
[pointmaps.objects.points.high_speed]
object = "binary-input,0"
[pointmaps.objects.points.fault]
object = "binary-input,1"
`

// fleetText is a fleet file. The setpoint is in it for the field, and for the
// daemon to hold the controllers against.
func fleetText(o options, s side, receivers string) string {
	var b strings.Builder
	fmt.Fprintf(&b, header, s.name)
	if !s.field {
		fmt.Fprintf(&b, watching, o.path("store"), receivers)
	}
	b.WriteString(pointMap + objectMap)
	for i := range gateways {
		b.WriteString(gatewayText(o, s, i, receivers))
	}
	return b.String()
}

func gatewayText(o options, s side, i int, receivers string) string {
	var b strings.Builder
	id, port := gatewayID(i), o.port+i
	if !s.field && hasPipe(i) {
		port += piped
	}
	points := "soak"
	if scheme(i) == "bacnet" {
		points = "objects"
	}
	fmt.Fprintf(&b, "[[buildings]]\nid = %q\n", id)
	fmt.Fprintf(&b, "[[gateways]]\nid = %q\nbuilding = %q\nurl = \"%s://%s:%d\"\ntimeout = \"300ms\"\n", id, id, scheme(i), o.host, port)
	if scheme(i) == "rtuovertcp" {
		fmt.Fprintf(&b, "poll_every = \"%v\"\n", period(i))
	}
	if i == watched {
		b.WriteString("cov = true\n")
	}
	if s.changed && i%2 == 0 {
		b.WriteString("poll_every = \"900ms\"\n")
	}
	if !s.field {
		fmt.Fprintf(&b, "[[notify.ways]]\nid = %q\nwebhook = \"%s/way/%s\"\nsecret_file = \"secret\"\n"+
			"buildings = [%q]\nseverities = [\"page\", \"ticket\", \"note\"]\n", id, receivers, id, id)
	}
	fans := fansEach
	if i == 0 && (s.field || s.changed) {
		fans++
	}
	for n := range fans {
		fmt.Fprintf(&b, "[[fans]]\nid = %q\ngateway = %q\nunit = %d\npointmap = %q\nprobe = \"suction\"\n"+
			"min_speed = \"20 %%\"\nsetpoint = \"-%d Pa\"\n", fanID(i, n), id, unit(i, n), points, 25+i*(fansEach+1)+n)
	}
	return b.String()
}

// secret is what messages are signed with.
const secret = "a secret of the soak, and of nobody else"

// writeFleet puts a fleet file in place of the one that is there.
func (o options) writeFleet(text string) error {
	if err := os.WriteFile(o.path("secret"), []byte(secret+"\n"), 0o600); err != nil {
		return err
	}
	next := o.path("fleet.toml.new")
	if err := os.WriteFile(next, []byte(text), 0o644); err != nil {
		return err
	}
	return os.Rename(next, o.path("fleet.toml"))
}

func (o options) path(name ...string) string {
	return filepath.Join(append([]string{o.dir}, name...)...)
}
