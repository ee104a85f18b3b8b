package rules

import (
	"fmt"
	"strings"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// finding puts what was found of the gateway in words.
//
// gateway_down: no poll through the gateway proves that it lives, for the
// hold. It ends with the first proof, which a refusal and the word that a unit
// is silent are too.
//
// line_silent: the gateway proves to live, and no fan that was polled through
// it answers, of two or more, for the hold. It ends with the first answer.
func (g *gateway) finding(name condition.Name, long time.Duration) condition.Finding {
	if name == condition.DataNotMoving {
		return g.repeats.finding(g)
	}
	finding := condition.Finding{Evidence: []condition.Number{
		{Name: "stood_s", Value: long.Seconds()},
		{Name: "fans_polled", Value: float64(g.polled)},
		{Name: "failed_polls", Value: float64(g.failures)},
	}}
	if name == condition.LineSilent {
		finding.Summary = fmt.Sprintf("the gateway answers, but none of its %s has answered for %s", fans(g.polled), units.Span(long))
		finding.Causes = g.lineCauses()
		return finding
	}
	how := "no poll was answered"
	if 2*g.refusals > g.failures {
		how = "connections are refused or find no way"
	}
	finding.Summary = fmt.Sprintf("the gateway of %s has not answered for %s: %s", fans(g.polled), units.Span(long), how)
	finding.Causes = g.downCauses(2*g.refusals > g.failures)
	finding.Evidence = append(finding.Evidence, condition.Number{Name: "refused_polls", Value: float64(g.refusals)})
	return finding
}

// host is an address without its port.
func host(address string) string {
	if i := strings.LastIndexByte(address, ':'); i > 0 {
		address = address[:i]
	}
	return strings.Trim(address, "[]")
}

func fans(n int) string {
	if n == 1 {
		return "1 fan"
	}
	return fmt.Sprintf("%d fans", n)
}

func (g *gateway) downCauses(refused bool) []condition.Cause {
	polls := fmt.Sprintf("none of %d polls was answered or refused", g.failures)
	if g.cfg.BACnet() {
		return g.bacnetCauses(polls, refused)
	}
	if g.cfg.Scheme == "rtu" {
		return []condition.Cause{
			{What: "the serial adapter is unplugged or its line is broken", Speaks: polls,
				Check: "look whether the machine still lists " + g.cfg.Address + ", and whether the adapter's lamps blink"},
			{What: "baud rate, parity or stop bits do not fit the line",
				Check: "compare them with one controller's communication settings"},
		}
	}
	power := condition.Cause{What: "the gateway has no power",
		Check: "ask whoever is near the panel whether its lamps are lit; the fans go on by themselves meanwhile"}
	network := condition.Cause{What: "the network to it is down: switch, cable, firewall or a changed address",
		Check: "ping " + host(g.cfg.Address) + " from the daemon's machine, then something else on the same switch"}
	taken := condition.Cause{What: "another program holds the gateway's only connection",
		Check: "find out who else reads this gateway; many take one or two connections"}
	line := condition.Cause{What: "the gateway lives, and its serial line is dead without its saying so",
		Check: "ping it: if it answers, look at the serial lamps and the first controller of the line"}
	if refused {
		by := fmt.Sprintf("%d of %d polls were refused or found no way", g.refusals, g.failures)
		return likeliest(supported(taken, true, by), supported(network, true, by), power)
	}
	return likeliest(supported(power, g.refusals == 0, polls), supported(network, g.refusals == 0, polls), line, taken)
}

// bacnetCauses ranks what keeps all BACnet devices behind one url silent.
func (g *gateway) bacnetCauses(polls string, refused bool) []condition.Cause {
	network := condition.Cause{What: "the network to the devices is down: switch, cable, firewall (UDP " + port(g.cfg.Address) + ") or a changed address",
		Check: "ping " + host(g.cfg.Address) + " from the daemon's machine, unless it is a broadcast address; then one device"}
	router := condition.Cause{What: "the router or BBMD before the devices has no power or was restarted without its tables",
		Check: "look at its own page for its networks, and for this machine among its foreign devices; the fans go on by themselves meanwhile"}
	unheard := condition.Cause{What: "the devices answer, and their word of who they are does not reach this machine: it goes out as a broadcast, to UDP 47808",
		Check: "run `fanwarden points --discover --gateway " + string(g.cfg.ID) + "`; where nobody is heard write local_port = 47808, or foreign_device = true for a BBMD"}
	if refused {
		return likeliest(supported(network, true, fmt.Sprintf("%d of %d polls found no way out of this machine, or a BBMD that refuses it", g.refusals, g.failures)), router, unheard)
	}
	return likeliest(supported(network, true, polls), router, unheard)
}

func port(address string) string { return address[strings.LastIndexByte(address, ':')+1:] }

func (g *gateway) lineCauses() []condition.Cause {
	together := fmt.Sprintf("none of its %d fans is heard, and the gateway itself answers", g.polled)
	if g.cfg.BACnet() {
		return []condition.Cause{
			{What: "the network of the devices behind the router is cut or down", Speaks: together,
				Check: "look in the router's own page which of its networks it reaches, and at its lamps; the fans go on by themselves meanwhile"},
			{What: "the controllers share a supply that is off", Speaks: together,
				Check: "ask whether the building or its roof panel has lost power; the fans can start by themselves when it returns"},
		}
	}
	return []condition.Cause{
		{What: "the serial line is cut, shorted or loose near the gateway", Speaks: together,
			Check: "look at the plug and the lamps of the gateway's serial side; the fans go on by themselves meanwhile"},
		{What: "the controllers share a supply that is off", Speaks: together,
			Check: "ask whether the building or its roof panel has lost power; the fans can start by themselves when it returns"},
		{What: "the serial settings of the gateway were changed or reset",
			Check: "compare baud rate, parity and stop bits in the gateway's own page with one controller"},
	}
}
