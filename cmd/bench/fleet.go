package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// plan is an invented fleet: buildings with a gateway each, and the same number
// of fans behind every gateway.
type plan struct {
	fans, gateways int
	url            func(gateway int) string     // of a gateway, from 0
	present        func(gateway, unit int) bool // whether a fan is there; nil: all are
	every          time.Duration                // the period; 0: 5 s
	head           string                       // what the fleet file says before the buildings, [web] and [store] for example
}

// onLoopback gives each gateway an address of its own, all with one port.
func onLoopback(port int) func(int) string {
	return func(g int) string { return fmt.Sprintf("tcp://127.1.%d.%d:%d", g/250, 1+g%250, port) }
}

// text writes the fleet file. Of ten fans four always run, three go idle, one
// controls an airflow, and two draw from one riser.
func (p *plan) text() string {
	var b strings.Builder
	every := p.every
	if every == 0 {
		every = 5 * time.Second
	}
	fmt.Fprintf(&b, "[fleet]\nname = \"Bench\"\npoll_every = \"%s\"\nstale_after = \"20s\"\ntimezone = \"UTC\"\n%s%s", every, p.head, pointMaps)
	a, place := p.fans/p.gateways, 0
	for g := range p.gateways {
		n := a
		if g < p.fans%p.gateways {
			n++
		}
		if p.present != nil && !p.present(g, 1) { // nor is any other of its fans
			place += n
			continue
		}
		fmt.Fprintf(&b, "[[buildings]]\nid = \"b%03d\"\nname = \"Building %d\"\n", g, g)
		fmt.Fprintf(&b, "[[gateways]]\nid = \"b%03d-gw\"\nbuilding = \"b%03d\"\nurl = %q\n", g, g, p.url(g))
		for unit := range n {
			if p.present == nil || p.present(g, unit) {
				writeFan(&b, g, unit, place)
			}
			place++
		}
	}
	return b.String()
}

const pointMaps = `
[pointmaps.roof]
points.pressure = {table = "input", address = 0, type = "int16", scale = 0.001, unit = "inH2O", invalid = [-32768]}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
points.setpoint = {table = "input", address = 2, type = "int16", scale = 0.001, unit = "inH2O"}
points.high_speed = {table = "discrete", address = 0}
points.override = {table = "discrete", address = 1}
points.running = {table = "discrete", address = 2}
points.fault = {table = "discrete", address = 3}
[pointmaps.flow]
points.airflow = {table = "input", address = 0, type = "uint16", unit = "L/s"}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
points.high_speed = {table = "discrete", address = 0}
`

func writeFan(b *strings.Builder, g, unit, place int) {
	fmt.Fprintf(b, "[[fans]]\nid = \"b%03d-ef%d\"\ngateway = \"b%03d-gw\"\nunit = %d\nname = \"Risers %d\"\nhigh_speed_at = \"80 %%\"\n", g, unit+1, g, unit+1, unit+1)
	if unit%10 == 9 {
		b.WriteString("pointmap = \"flow\"\ncontrols = \"airflow\"\nsetpoint = \"0.4 m3/s\"\n")
		return
	}
	fmt.Fprintf(b, "pointmap = \"roof\"\nprobe = \"suction\"\nsetpoint = \"-%d Pa\"\nprobe_range = \"-500..500 Pa\"\n", 25+5*(place%4))
	switch unit % 10 {
	case 4, 5, 6:
		b.WriteString("idle_below = \"20 %\"\nrun_on = \"90s\"\nrestart_rise = \"45 Pa\"\n")
	case 7, 8:
		fmt.Fprintf(b, "group = \"b%03d-%d\"\nrole = \"parallel\"\n", g, unit/10)
	}
}

// parse reads the fleet as the daemon would.
func (p *plan) parse() (*config.Fleet, error) {
	fleet, faults := config.Parse("bench.toml", []byte(p.text()), os.ReadFile)
	if len(faults) > 0 {
		return nil, fmt.Errorf("the fleet of the bench has %d faults, the first: %s", len(faults), faults[0])
	}
	return fleet, nil
}

// begin is when invented fields begin: a Monday's noon.
var begin = time.Date(2026, 1, 5, 12, 0, 0, 0, time.UTC)

// troubled is a field of a fleet in which every fifth fan has a trouble, from an
// hour on.
func troubled(fleet *config.Fleet) (*field.Field, error) {
	running := []field.Kind{field.Undersized, field.ProbeWrongSide, field.OverFast, field.ContactOpen, field.SensorFrozen, field.LeftInHand,
		field.SensorOutOfRange, field.TubeOff, field.MotorOff}
	idling := []field.Kind{field.ShortCycling, field.DeafWhenIdle}
	f := field.New(fleet, 1, begin)
	for i, fan := range fleet.Fans {
		kinds := running
		if fan.GoesIdle {
			kinds = idling
		}
		if i%5 != 3 || fan.ControlsAirflow {
			continue
		}
		err := f.Put(field.Fault{Fan: fan.ID, Kind: kinds[i/10%len(kinds)], From: begin.Add(time.Hour)})
		if err != nil {
			return nil, err
		}
	}
	return f, nil
}

// record lets a field run for a span and tells what polls of it bring. The
// reading is the caller's only until tell returns.
func record(f *field.Field, span time.Duration, tell func(*config.Fan, *reading.Reading) error) error {
	fleet := f.Fleet()
	var r reading.Reading
	for end := f.Now().Add(span); f.Now().Before(end); {
		f.Step(fleet.PollEvery)
		for _, fan := range fleet.Fans {
			r.Clear()
			f.Reading(fan.ID, &r)
			if err := tell(fan, &r); err != nil {
				return err
			}
		}
	}
	return nil
}
