package config

import (
	"fmt"
	"net"
	"strings"
	"time"
)

// bacnet looks at how BACnet devices are to be heard.
func (a *audit) bacnet() {
	devices := make(map[*Gateway]map[int]bool)
	for _, f := range a.fleet.Fans {
		if devices[f.Gateway] == nil {
			devices[f.Gateway] = make(map[int]bool)
		}
		for _, p := range f.Points {
			devices[f.Gateway][p.Unit] = true
		}
	}
	for _, g := range a.fleet.Gateways {
		if !g.BACnet() {
			continue
		}
		if g.unheard(len(devices[g])) {
			a.warnGateway(g, "url", "many devices say who they are by a broadcast to UDP 47808, and it is spoken to from another port, which does not hear them",
				"write local_port = 47808 (one gateway of a machine can have it), or foreign_device = true where the host is a BBMD")
		}
		if fit := int(g.PollEvery / g.Timeout); fit < triesBACnet {
			a.warnGateway(g, "timeout", fmt.Sprintf("only %d of the %d tries of a request fit into the period, so lost datagrams cost readings", fit, triesBACnet),
				fmt.Sprintf("write a timeout of %v or less, or a longer poll_every", (g.PollEvery/(triesBACnet+1)).Round(time.Millisecond)))
		}
	}
}

// unheard reports whether devices of the gateway may answer past it: those that are
// asked together, or that stand behind a router. On this machine nothing is a broadcast.
func (g *Gateway) unheard(devices int) bool {
	host, _, _ := net.SplitHostPort(g.Address)
	ip := net.ParseIP(host)
	if g.LocalPort != 0 || g.ForeignDevice || host == "localhost" || ip != nil && ip.IsLoopback() {
		return false
	}
	return devices > 1 || strings.HasSuffix(host, ".255")
}

// warnGateway adds a warning about a key of a gateway.
func (a *audit) warnGateway(g *Gateway, key, what, remedy string) {
	a.warnings = append(a.warnings, Warning{File: g.origin.file, Line: g.origin.of(key),
		What: fmt.Sprintf("gateway %q: %s", g.ID, what), Remedy: remedy})
}
