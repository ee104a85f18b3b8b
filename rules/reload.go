package rules

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// Reload takes over a changed fleet. Every fan that is still in it keeps its
// state and is judged by the new settings from its next reading on. What stood
// of a fan, a gateway or a rule that is gone is cleared as disarmed, at now.
// The slice is valid until the next call.
func (e *Engine) Reload(fleet *config.Fleet, now time.Time) []condition.Transition {
	e.out = e.out[:0]
	kept := make(map[reading.FanID]bool, len(fleet.Fans))
	for _, cfg := range fleet.Fans {
		kept[cfg.ID] = true
	}
	gateways := make(map[reading.GatewayID]bool, len(fleet.Gateways))
	for _, cfg := range fleet.Gateways {
		gateways[cfg.ID] = true
	}
	for _, old := range e.fleet.Gateways {
		e.disarmGateway(e.gateways[old.ID], fleet.Rules, !gateways[old.ID], now)
	}
	for _, old := range e.fleet.Fans {
		if !kept[old.ID] {
			e.disarmFan(e.fans[old.ID], nil, now)
			delete(e.fans, old.ID)
		}
	}
	for _, cfg := range fleet.Fans {
		if f := e.fans[cfg.ID]; f != nil {
			e.disarmFan(f, cfg.Rules, now)
		}
	}
	e.adopt(fleet)
	for _, g := range e.fleet.Gateways {
		e.settleLine(e.gateways[g.ID], now)
		e.settleFans(e.gateways[g.ID], now)
	}
	return e.out
}

// SetOutOfService says whether somebody works at a fan. As long as somebody
// does, it is not judged; what stood of it is cleared as disarmed, at now. A fan
// that is not in the fleet is passed over. The slice is valid until the next
// call.
func (e *Engine) SetOutOfService(id reading.FanID, out bool, now time.Time) []condition.Transition {
	e.out = e.out[:0]
	f := e.fans[id]
	if f == nil || f.out == out {
		return e.out
	}
	f.out = out
	if out {
		e.disarmFan(f, nil, now)
	}
	return e.out
}

// disarmGateway clears what stands of a gateway that is gone, or of a rule
// that is switched off.
func (e *Engine) disarmGateway(g *gateway, rules condition.Settings, gone bool, now time.Time) {
	for _, rule := range g.rules() {
		if gone || !rules[rule.life.name].Enabled {
			e.clear(g.source, &rule.life, now, condition.Disarmed)
			rule.life.end()
			rule.life.state = condition.CannotJudge
		}
	}
	if gone {
		delete(e.gateways, g.cfg.ID)
	}
}

// disarmFan clears what stands of a fan by rules that are not in settings.
func (e *Engine) disarmFan(f *fan, settings condition.Settings, now time.Time) {
	for i := range f.rules {
		j := &f.rules[i]
		if !settings[j.life.name].Enabled {
			e.clear(f.source, &j.life, now, condition.Disarmed)
			j.life.end()
			j.life.state = condition.CannotJudge
			j.rule.forget()
		}
	}
}

// adopt makes the engine's fans and gateways those of fleet, new ones fresh.
func (e *Engine) adopt(fleet *config.Fleet) {
	e.fleet = fleet
	if e.fans == nil {
		e.fans = make(map[reading.FanID]*fan, len(fleet.Fans))
		e.gateways = make(map[reading.GatewayID]*gateway, len(fleet.Gateways))
	}
	for _, cfg := range fleet.Gateways {
		g := e.gateways[cfg.ID]
		if g == nil {
			g = newGateway()
			e.gateways[cfg.ID] = g
		}
		g.configure(cfg, fleet)
		g.fans = g.fans[:0]
		g.polled, g.proving, g.answers = 0, 0, 0
	}
	for _, cfg := range fleet.Fans {
		f := e.fans[cfg.ID]
		if f == nil {
			f = &fan{rules: newRules()}
			e.fans[cfg.ID] = f
		}
		e.join(f, cfg, fleet)
	}
	e.meet(fleet)
	e.settleIn(fleet)
}

// settleIn lists the fans of each building.
func (e *Engine) settleIn(fleet *config.Fleet) {
	e.buildings = make(map[reading.BuildingID][]*fan, len(fleet.Buildings))
	for _, cfg := range fleet.Fans {
		e.buildings[cfg.Building.ID] = append(e.buildings[cfg.Building.ID], e.fans[cfg.ID])
	}
	for _, f := range e.fans {
		f.neighbours = e.buildings[f.cfg.Building.ID]
	}
}

// meet shows the fans of each group to each other.
func (e *Engine) meet(fleet *config.Fleet) {
	type key struct {
		building reading.BuildingID
		group    string
	}
	groups := make(map[key][]*fan)
	for _, cfg := range fleet.Fans {
		f := e.fans[cfg.ID]
		f.partners = f.partners[:0]
		if cfg.Group != "" {
			k := key{cfg.Building.ID, cfg.Group}
			groups[k] = append(groups[k], f)
		}
	}
	for _, group := range groups {
		for _, f := range group {
			for _, other := range group {
				if other != f {
					f.partners = append(f.partners, other)
				}
			}
		}
	}
}

// join makes f a fan of its gateway. What its last poll proved is of the
// gateway that it was polled through.
func (e *Engine) join(f *fan, cfg *config.Fan, fleet *config.Fleet) {
	g := e.gateways[cfg.Gateway.ID]
	if f.gateway != nil && f.gateway != g {
		f.heard = neverPolled
	}
	f.configure(cfg, fleet, g)
	g.fans = append(g.fans, f)
	g.count(f.heard, +1)
}
