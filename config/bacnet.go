package config

import "fmt"

// modbusKeys are the keys that mean something to a Modbus gateway only. What is
// for one kind of its urls is reported where that is read.
var modbusKeys = []string{"max_gap", "max_registers", "pause", "late_reply", "line_baud"}

// ofModbus reports keys that a bacnet:// gateway does not have.
func (t *table) ofModbus(g *Gateway) {
	for _, key := range modbusKeys {
		if g.BACnet() && t.has(key) {
			t.fault(key, fmt.Sprintf("%s is for gateways that speak Modbus", key), "remove it")
		}
	}
}

// ofBACnet reads the settings of a bacnet:// gateway.
func (t *table) ofBACnet(g *Gateway) {
	for _, key := range []string{"local_port", "foreign_device", "cov"} {
		if t.has(key) && !g.BACnet() && g.Scheme != "" {
			t.fault(key, key+" is for bacnet:// gateways", "remove it")
		}
	}
	g.LocalPort = t.integer("local_port", 0, 1, 65535)
	g.ForeignDevice = t.boolean("foreign_device", false)
	g.COV = t.boolean("cov", false)
	if g.BACnet() {
		g.MaxGap, g.MaxRegisters = 0, 0
	}
}

// speaks reports whether a point map is of the gateway's protocol, and the fault
// of one that is not. A gateway whose url is wrong speaks anything.
func (t *table) speaks(g *Gateway, m *PointMap) bool {
	if g.Scheme == "" || m.Protocol == g.Protocol() {
		return true
	}
	t.fault("pointmap", fmt.Sprintf("point map %q is for %s, and gateway %q speaks %s", m.Name, protocolName(m.Protocol), g.ID, protocolName(g.Protocol())),
		"name a map of that protocol, or another gateway")
	return false
}

func protocolName(protocol string) string {
	if protocol == BACnet {
		return "BACnet"
	}
	return "Modbus"
}

// samePorts reports gateways that would bind one local port.
func (a *assembly) samePorts() {
	seen := make(map[int]*Gateway)
	for _, g := range a.fleet.Gateways {
		if g.LocalPort == 0 || !g.BACnet() {
			continue
		}
		if first := seen[g.LocalPort]; first != nil {
			at := a.gateways[string(g.ID)]
			a.add(at.file, at.line, fmt.Sprintf("gateway %q has the local_port of gateway %q, and one port has one socket", g.ID, first.ID),
				"give it another, or make them one gateway; its fans may stand in several buildings")
			continue
		}
		seen[g.LocalPort] = g
	}
}
