// Package campus invents a campus to try the program on: buildings, gateways,
// fans with what they serve, and troubles that some of them have. It is written
// as a fleet file like any other, and every name in it is fictional.
//
// The campus grows by buildings: 50 fans stand in seven of them, and larger
// fleets repeat these seven under other names.
package campus

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// The sizes of a campus, in fans. At the least the first building is worth
// looking at; what is beyond the most would want more ports of one machine
// than it can spare.
const (
	Least = 4
	Usual = 50
	Most  = 5000
)

// Campus is an invented fleet and what is wrong in it.
type Campus struct {
	Name      string
	Buildings []Building
	Troubles  []Trouble
}

// Building is one building with the gateway of its fans.
type Building struct {
	ID, Name string
	Gateway  Gateway
	Fans     []Fan
}

// Gateway is how the fans of a building are reached. Everything is written as
// it stands in a fleet file; what is empty is left out there.
type Gateway struct {
	ID       string
	Scheme   string // tcp, rtuovertcp or bacnet
	LineBaud int    // speed of the serial side
}

// BACnet reports whether the gateway leads to BACnet devices, over UDP.
func (g Gateway) BACnet() bool { return g.Scheme == config.BACnet }

// Fan is one fan. Everything is written as it stands in a fleet file; what is
// empty is left out there.
type Fan struct {
	ID       string
	Unit     int
	Slot     int
	PointMap string
	Name     string
	Location string
	Serves   string
	Duty     string
	Group    string
	Role     string

	Controls    string
	Probe       string
	Setpoint    string
	MinSpeed    string
	IdleBelow   string
	RunOn       string
	RestartRise string
	HighSpeedAt string
	Override    string
	ProbeRange  string
	ProbeArea   string
	RiserHeight string
	Reference   string
	RatedRPM    string
	RatedPower  string
	LifeSafety  bool

	trouble *trouble
}

// Trouble is one thing that is wrong on the campus.
type Trouble struct {
	Fault     field.Fault
	Condition condition.Name // what it shows as
	Name      string         // of the fan or gateway
	Wrong     string         // what is wrong, in plain words
	See       string         // what there is to see
}

// trouble is what is wrong with a fan or a gateway, wherever it stands.
type trouble struct {
	kind       field.Kind
	size       float64
	onset      float64 // share of the past that had gone by
	condition  condition.Name
	wrong, see string
}

// New invents a campus of that many fans, from Least to Most, whose troubles
// began within the time past before now.
func New(fans int, now time.Time, past time.Duration) (*Campus, error) {
	if fans < Least || fans > Most {
		return nil, fmt.Errorf("a campus has from %d to %d fans, not %d", Least, Most, fans)
	}
	c := &Campus{Name: "Tarnwick College"}
	for i := 0; fans > 0; i++ {
		d := designs()[i%len(designs())]
		if len(d.fans) > fans {
			d.fans, d.trouble = d.fans[:fans], nil // the gateway of a piece of a building is left alone
		}
		fans -= len(d.fans)
		c.build(d, i, now, past)
	}
	return c, nil
}

// build sets up the i-th building, from 0.
func (c *Campus) build(d design, i int, now time.Time, past time.Duration) {
	id, name := buildingName(i)
	b := Building{ID: id, Name: name + " " + d.kind, Gateway: d.gateway, Fans: d.fans}
	b.Gateway.ID = id + "-gw"
	begun := func(t *trouble) field.Fault {
		return field.Fault{Kind: t.kind, Size: t.size, From: now.Add(-past + time.Duration(t.onset*float64(past)))}
	}
	for n := range b.Fans {
		f := &b.Fans[n]
		f.ID = fmt.Sprintf("%s-ef%d", id, n+1)
		if f.Group != "" {
			f.Group = id + "-" + f.Group
		}
		switch {
		case d.oneTable:
			f.Unit, f.Slot = 1, n
		case d.device > 0:
			f.Unit = d.device + n
		default:
			f.Unit = n + 1
		}
		if t := f.trouble; t != nil {
			fault := begun(t)
			fault.Fan = reading.FanID(f.ID)
			c.Troubles = append(c.Troubles, Trouble{fault, t.condition, f.Name + ", " + b.Name, t.wrong, t.see})
		}
	}
	if t := d.trouble; t != nil {
		fault := begun(t)
		fault.Gateway = reading.GatewayID(b.Gateway.ID)
		c.Troubles = append(c.Troubles, Trouble{fault, t.condition, "the gateway of " + b.Name, t.wrong, t.see})
	}
	c.Buildings = append(c.Buildings, b)
}

// Healthy returns a fan that nothing is wrong with, one that always runs if
// there is one.
func (c *Campus) Healthy() Fan {
	var found Fan
	for _, b := range c.Buildings {
		for _, f := range b.Fans {
			if f.trouble == nil && (found.ID == "" || found.IdleBelow != "" && f.IdleBelow == "") {
				found = f
			}
		}
	}
	return found
}

// Fans returns how many fans the campus has.
func (c *Campus) Fans() int {
	n := 0
	for _, b := range c.Buildings {
		n += len(b.Fans)
	}
	return n
}
