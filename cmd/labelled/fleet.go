package main

import (
	"fmt"
	"os"
	"strings"

	"fanwarden/config"
)

// fanText is what the fleet file says of one fan.
type fanText struct {
	id, gateway string
	unit        int
	pointmap    string
	probe       string
	airflow     bool
	setpoint    float64 // Pa, or m3/s
	idle        bool
	restart     float64 // Pa; 0: not in the file
	duty        string
	highAt      int // percent
	height      float64
	reference   string
	group, role string
	slowest     int    // percent; 0: as the fleet file takes it
	forced      string // override_at_most; "": as the fleet file takes it
}

func (f *fanText) String() string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("\n[[fans]]")
	line("id = %q\ngateway = %q\nunit = %d\npointmap = %q\nduty = %q", f.id, f.gateway, f.unit, f.pointmap, f.duty)
	line(`high_speed_at = "%d %%"`, f.highAt)
	if f.group != "" {
		line("group = %q\nrole = %q", f.group, f.role)
	}
	if f.slowest > 0 {
		line(`min_speed = "%d %%"`, f.slowest)
	}
	if f.forced != "" {
		line("rules.override_left_on.override_at_most = %q", f.forced)
	}
	if f.airflow {
		line("controls = \"airflow\"\nsetpoint = \"%g m3/s\"", f.setpoint)
		return b.String()
	}
	line("probe = %q\nsetpoint = \"%g Pa\"\nprobe_range = \"-500..500 Pa\"", f.probe, f.setpoint)
	line("riser_height = \"%g m\"\nreference = %q", f.height, f.reference)
	if f.idle {
		line(`idle_below = "20 %%"` + "\n" + `run_on = "90s"`)
		if f.restart > 0 {
			line(`restart_rise = "%g Pa"`, f.restart)
		}
	}
	return b.String()
}

// gatewayText is what the fleet file says of one gateway, polled every so many
// seconds.
func gatewayText(id string, port, poll int) string {
	text := fmt.Sprintf("\n[[gateways]]\nid = %q\nbuilding = \"larch\"\nurl = \"tcp://127.0.0.1:%d\"\npoll_every = \"%ds\"\n", id, port, poll)
	if poll > 10 {
		text += fmt.Sprintf("stale_after = \"%ds\"\n", 3*poll)
	}
	return text
}

// head is the part of the fleet file that is the same in every run.
func head() string {
	var b strings.Builder
	b.WriteString("[fleet]\nname = \"Labelled runs\"\npoll_every = \"5s\"\ntimezone = \"UTC\"\n\n[[buildings]]\nid = \"larch\"\nname = \"Larch House\"\n")
	base := pressureInt(0.001, "inH2O") + speedAndContact
	b.WriteString(mapText("rooftop", "", base))
	b.WriteString(mapText("metric", "", pressureInt(0.1, "Pa")+speedAndContact))
	b.WriteString(mapText("coarse", "", pressureInt(4, "Pa")+speedAndContact))
	b.WriteString(mapText("float", "", "points.pressure = {table = \"input\", address = 0, type = \"float32\", order = \"CDAB\", unit = \"Pa\"}\n"+
		"points.speed = {table = \"input\", address = 2, type = \"uint16\", scale = 0.01, unit = \"V\"}\n"+contact))
	b.WriteString(mapText("flow", "", "points.airflow = {table = \"input\", address = 0, type = \"uint16\", scale = 1, unit = \"L/s\"}\n"+speedAndContact))
	b.WriteString(mapText("remote", "", base+"points.setpoint = {table = \"holding\", address = 0, type = \"int16\", scale = 0.1, unit = \"Pa\"}\n"))
	b.WriteString(mapText("settings", "", base+"points.restart_rise = {table = \"holding\", address = 1, type = \"int16\", scale = 0.1, unit = \"Pa\"}\n"))
	b.WriteString(mapText("panel", "", base+ratio("min_speed", 2)+ratio("high_speed_at", 3)))
	b.WriteString(mapText("contacts", "", base+discrete("enable", 1)+discrete("override", 2)+discrete("fault", 3)+discrete("running", 4)))
	b.WriteString(mapText("zeroed", "absent_when = \"all_zero\"\n", base))
	return b.String()
}

const (
	contact         = "points.high_speed = {table = \"discrete\", address = 0}\n"
	speedAndContact = "points.speed = {table = \"input\", address = 1, type = \"uint16\", scale = 0.1, unit = \"%\"}\n" + contact
)

func pressureInt(scale float64, unit string) string {
	return fmt.Sprintf("points.pressure = {table = \"input\", address = 0, type = \"int16\", scale = %g, unit = %q}\n", scale, unit)
}

func discrete(point string, address int) string {
	return fmt.Sprintf("points.%s = {table = \"discrete\", address = %d}\n", point, address)
}

func ratio(point string, address int) string {
	return fmt.Sprintf("points.%s = {table = \"holding\", address = %d, type = \"uint16\", scale = 0.1, unit = \"%%\"}\n", point, address)
}

func mapText(name, keys, points string) string {
	return "\n[pointmaps." + name + "]\n" + keys + points
}

// parseFleet reads the text of a fleet file that is written nowhere yet.
func parseFleet(text string) (*config.Fleet, error) {
	fleet, faults := config.Parse("fleet.toml", []byte(text), os.ReadFile)
	if len(faults) > 0 {
		return nil, fmt.Errorf("the fleet of a labelled run has %d faults, the first: %s", len(faults), faults[0])
	}
	return fleet, nil
}
