package rules

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// Several fans of one gateway or building that go wrong in the same way at
// about the same time have one likely cause in common, and whoever is called
// wants to hear of one thing. Each fan keeps its own condition; the incident
// says that they belong together.
//
// (Engineering choices.)
const (
	together     = 30 * time.Minute // between the first and the last to be raised
	fewestFans   = 3                // and a third of those of the place
	fewestShare  = 3
	fewestBoxes  = 2 // gateways of a building
	incidentTime = "20060102T150405Z"
)

// gather looks, when a condition of a fan is raised, whether others of its
// gateway, or else of its building, went the same way. All of them then carry
// the incident's id.
func (e *Engine) gather(f *fan, l *life, now time.Time) {
	for _, place := range [...]struct {
		fans []*fan
		name string
	}{{f.gateway.fans, string(f.source.gateway)}, {e.buildings[f.source.building], string(f.source.building)}} {
		members := alike(place.fans, l.name, now)
		if len(members) < fewestFans || fewestShare*len(members) < len(place.fans) {
			continue
		}
		join(members, string(l.name)+"-"+place.name, now)
		return
	}
}

// alike returns the lives of a condition that were raised together with one
// that is raised now.
func alike(fans []*fan, name condition.Name, now time.Time) (members []*life) {
	for _, f := range fans {
		for i := range f.rules {
			l := &f.rules[i].life
			if l.name == name && l.active && now.Sub(l.raised).Abs() <= together {
				members = append(members, l)
			}
		}
	}
	return members
}

// gatherGateways does the same for the gateways of a building.
func (e *Engine) gatherGateways(g *gateway, l *life, now time.Time) {
	var members []*life
	for _, cfg := range e.fleet.Gateways {
		other := e.gateways[cfg.ID]
		if other.source.building != g.source.building {
			continue
		}
		for _, rule := range other.rules() {
			if rule.life.name == l.name && rule.life.active && now.Sub(rule.life.raised).Abs() <= together {
				members = append(members, &rule.life)
			}
		}
	}
	if len(members) >= fewestBoxes {
		join(members, string(l.name)+"-"+string(g.source.building), now)
	}
}

// join gives the members the id of the incident that one of them is in
// already, or a new one.
func join(members []*life, of string, now time.Time) {
	id := of + "-" + now.UTC().Format(incidentTime)
	for _, m := range members {
		if m.incident != "" {
			id = m.incident
			break
		}
	}
	for _, m := range members {
		m.incident = id
	}
}

// Incidents returns what stands of several fans or gateways together, in the
// order of the fleet file. An incident ends when fewer than two of its members
// stand. The slice is the caller's.
func (e *Engine) Incidents() []condition.Incident {
	var all []condition.Incident
	places := make(map[string]int)
	of := func(l *life, s source) *condition.Incident {
		i, known := places[l.incident]
		if !known {
			i = len(all)
			places[l.incident] = i
			all = append(all, condition.Incident{ID: l.incident, Condition: l.name, Building: s.building, Gateway: s.gateway, Since: l.since})
		}
		in := &all[i]
		if l.since.Before(in.Since) {
			in.Since = l.since
		}
		if in.Gateway != s.gateway {
			in.Gateway = ""
		}
		return in
	}
	for _, cfg := range e.fleet.Gateways {
		g := e.gateways[cfg.ID]
		for _, rule := range g.rules() {
			if l := &rule.life; l.active && l.incident != "" {
				in := of(l, g.source)
				in.Gateways = append(in.Gateways, cfg.ID)
			}
		}
	}
	for _, cfg := range e.fleet.Fans {
		f := e.fans[cfg.ID]
		for i := range f.rules {
			if l := &f.rules[i].life; l.active && l.incident != "" {
				in := of(l, f.source)
				in.Fans = append(in.Fans, cfg.ID)
			}
		}
	}
	return e.told(all)
}

// told keeps the incidents that have two members or more, and says what they
// are.
func (e *Engine) told(all []condition.Incident) []condition.Incident {
	kept := all[:0]
	for _, in := range all {
		n := len(in.Fans) + len(in.Gateways)
		if n < 2 {
			continue
		}
		what, place := "fans", "behind "+string(in.Gateway)
		if in.Gateway == "" {
			place = "of " + e.buildingName(in.Building)
		}
		if len(in.Gateways) > 0 {
			what, place = "gateways", "of "+e.buildingName(in.Building)
			in.Gateway = ""
		}
		in.Summary = fmt.Sprintf("%d %s %s raised %s within %s of each other", n, what, place, in.Condition, units.Span(together))
		in.Cause = e.common(&in)
		kept = append(kept, in)
	}
	return kept
}

func (e *Engine) buildingName(id reading.BuildingID) string {
	for _, b := range e.fleet.Buildings {
		if b.ID == id && b.Name != "" {
			return b.Name
		}
	}
	return string(id)
}

// common is the likeliest cause that the members of an incident share.
func (e *Engine) common(in *condition.Incident) condition.Cause {
	switch in.Condition {
	case condition.GatewayDown:
		return condition.Cause{What: "the building, or its network, has lost power",
			Check: "ask whether the building has power, and whether anything else in it answers on the network"}
	case condition.LineSilent, condition.ControllerSilent:
		return condition.Cause{What: "a panel that feeds their controllers is off, or the line is cut before the first of them",
			Check: "look what these controllers share: a panel, a breaker, a piece of cable; the fans can start by themselves when power returns"}
	case condition.ControllerFault, condition.NoEffect:
		return condition.Cause{What: "a dip or loss of power has stopped their motors together",
			Check: "ask whether the building's power failed at that time, and look at the panel that feeds these motors; leave resetting to those who answer for it"}
	case condition.SensorFrozen, condition.DataNotMoving:
		return condition.Cause{What: "the gateway, or a converter before it, repeats what it once read",
			Check: "compare one fan's value with its controller's own display before anything else is believed"}
	case condition.InvertedSign, condition.SensorOutOfRange, condition.ContactDisagrees, condition.SettingsChanged, condition.OffSetpoint:
		if name := e.sharedMap(in.Fans); name != "" {
			return condition.Cause{What: "the point map they share (" + name + "), or the gateway's own table, was changed",
				Check: "ask who changed the fleet file or the gateway at that time; compare raw words and values with one controller's display"}
		}
	case condition.StuckIdle, condition.PinnedAtMin:
		return condition.Cause{What: "the weather: draught moves their risers together, as in a cold snap",
			Check: "compare the outdoor temperature with the days before; look at one fan's trend beside another's"}
	case condition.PinnedAtMax, condition.Hunting:
		return condition.Cause{What: "something that their risers share: a door or shaft left open, supply air that stopped, strong wind",
			Check: "ask what was opened or switched off in the building at that time, and whether its supply air runs"}
	}
	return condition.Cause{What: "something that they share: power, gateway, weather, or work that was done at that time",
		Check: "look what changed in this place at that time before looking at each of them"}
}

// sharedMap is the name of the point map that all of some fans share, "" where
// they do not.
func (e *Engine) sharedMap(fans []reading.FanID) string {
	var shared *config.PointMap
	for _, id := range fans {
		m := e.fans[id].cfg.PointMap
		if m == nil || shared != nil && m != shared {
			return ""
		}
		shared = m
	}
	if shared == nil {
		return ""
	}
	return shared.Name
}
