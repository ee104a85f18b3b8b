package main

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// kind is a trouble between the daemon and the fans, and which of these conditions
// it calls for; none where the daemon must bear it.
type kind struct {
	name  string
	raise []condition.Name
	fan   bool       // of one fan and not of the gateway
	field field.Kind // how the field has it
	way   way        // how the pipe has it
	other field.Kind // what a BACnet gateway has in its place
}

// at is how a gateway has it; false where it cannot.
func (k *kind) at(i int) (field.Kind, way, bool) {
	switch {
	case scheme(i) == "bacnet" && k.other != "":
		return k.other, through, true
	case k.way != through && !hasPipe(i):
		return "", through, false
	case k.field == "":
		return "", k.way, true
	}
	only := k.field.Only()
	return k.field, through, only == "" || only == config.Modbus && scheme(i) != "bacnet"
}

var (
	unreachable = []condition.Name{condition.GatewayDown, condition.LineSilent} // what cannot be told apart from outside
	// kinds are in an order in which a gateway, which has one after the other,
	// does not have too much to tell, and no unit falls silent on a line that has just
	// lost many answers: it would take longer to be believed.
	kinds = []kind{
		{name: "gateway off", raise: unreachable, field: field.GatewayOff},
		{name: "answers late", field: field.AnswersLate},
		{name: "unit silent", raise: []condition.Name{condition.ControllerSilent}, fan: true, field: field.SilentUnit},
		{name: "resets", field: field.ResetsConnections, other: field.LosesDatagrams},
		{name: "trunk cut", raise: unreachable, field: field.TrunkCut},
		{name: "garbage", field: field.SendsGarbage},
		{name: "controller trips", raise: []condition.Name{condition.ControllerFault}, fan: true, field: field.Tripped},
		{name: "one connection only", field: field.LimitsConnections},
		{name: "gateway mute", raise: unreachable, way: mute},
		{name: "answers twice", way: twice, other: field.AnswersTwice},
		{name: "settings changed", raise: []condition.Name{condition.SettingsChanged}, fan: true, field: field.MinSpeedRaised},
		{name: "answers drip", way: drips},
	}
)

// stride spreads the rounds of a gateway's troubles: it has no divisor in common
// with the number of gateways, so that each has each kind once in as many rounds,
// which is rarely enough not to chatter.
const stride = 5

// trouble is one that is, or was, on.
type trouble struct {
	kind    *kind
	field   field.Kind
	way     way
	gateway string
	fan     string // "" for the gateway's
	put     time.Time
	ended   time.Time // zero while it is on
	seen    time.Time // when its condition was first seen
}

func (t *trouble) String() string { return fmt.Sprintf("%s (%s)", t.kind.name, t.target()) }

// target is whose condition is raised.
func (t *trouble) target() string {
	if t.fan != "" {
		return t.fan
	}
	return t.gateway
}

// planned returns the troubles of a round.
func planned(seed uint64, round int) []*trouble {
	var all []*trouble
	for k := range kinds {
		i := (int(seed%gateways) + stride*round + k) % gateways
		t := &trouble{kind: &kinds[k], gateway: gatewayID(i)}
		var can bool
		if t.field, t.way, can = t.kind.at(i); !can {
			continue
		}
		if kinds[k].fan {
			t.fan = fanID(i, round%fansEach)
		}
		all = append(all, t)
	}
	return all
}

// quiet is a gateway that has no trouble in a round: the next after those that do.
func quiet(seed uint64, round, n int) string {
	return gatewayID((int(seed%gateways) + stride*round + len(kinds) + n) % gateways)
}

// put begins a trouble, and end ends it.
func (s *soak) put(t *trouble) error {
	t.put = time.Now()
	s.conditions.expect(t)
	if t.way != through {
		s.pipes[t.gateway].set(t.way)
		return nil
	}
	return s.server.Put(t.fault())
}

func (s *soak) take(t *trouble) {
	s.conditions.ended(t)
	if t.way != through {
		s.pipes[t.gateway].set(through)
		return
	}
	fault := t.fault()
	s.server.Clear(fault.Fan, fault.Gateway, fault.Kind)
}

// fault is the trouble as the field knows it.
func (t *trouble) fault() field.Fault {
	fault := field.Fault{Kind: t.field, Fan: reading.FanID(t.fan)}
	if t.fan == "" {
		fault.Gateway = reading.GatewayID(t.gateway)
	}
	return fault
}
