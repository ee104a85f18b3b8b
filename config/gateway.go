package config

import (
	"errors"
	"fmt"
	"io/fs"
	"net"
	"net/url"
	"strconv"
	"strings"
	"time"

	"fanwarden/poller/reading"
)

// schemes are the kinds of connection, as urls name them.
var schemes = [...]string{"tcp", "rtuovertcp", "udp", "tcp+tls", "rtu", BACnet}

func (a *assembly) gateway(t *table) {
	t.as("[[gateways]]", "")
	g := &Gateway{ID: reading.GatewayID(t.id("gateway"))}
	t.require("building", "name the building whose fans it reads; define it in [[buildings]]")
	g.Building, _ = refer(t, a.buildings, "building", "building")
	t.require("url", `say how it is reached, as in url = "tcp://10.20.3.20:502"`)
	g.URL = t.text("url", "")
	if t.has("url") && g.URL != "" {
		t.endpoint(g)
	} else if e := t.take("url"); e != nil && e.value == any("") {
		t.fault("url", "the url is empty", `say how the gateway is reached, as in "tcp://10.20.3.20:502"`)
	}
	a.timing(t, g)
	t.serial(g)
	a.security(t, g)
	a.ownPoints(t, g)
	g.origin = t.origin()
	t.ofBACnet(g)
	t.finish()
	if register(t, a.gateways, "gateway", string(g.ID), g) {
		a.fleet.Gateways = append(a.fleet.Gateways, g)
	}
}

// endpoint parts the url.
func (t *table) endpoint(g *Gateway) {
	const remedy = "write tcp://HOST:PORT, rtuovertcp://HOST:PORT, udp://HOST:PORT, tcp+tls://HOST:PORT, rtu:///dev/ttyUSB0 or bacnet://HOST:47808"
	u, err := url.Parse(g.URL)
	if err != nil {
		t.fault("url", fmt.Sprintf("the url %q cannot be read", g.URL), remedy)
		return
	}
	switch u.Scheme {
	case "rtu":
		g.Scheme, g.Address = u.Scheme, u.Path
		if u.Host != "" || u.Path == "" || u.RawQuery != "" || u.User != nil {
			t.fault("url", fmt.Sprintf("the url %q names no serial device", g.URL), "write rtu:// and the device's path, as in rtu:///dev/ttyUSB0")
		}
		return
	case "tcp", "rtuovertcp", "udp", "tcp+tls", BACnet:
	default:
		t.fault("url", fmt.Sprintf("the url %q has no scheme that is known", g.URL), remedy)
		return
	}
	g.Scheme = u.Scheme
	port := u.Port()
	if port == "" {
		port = map[string]string{"tcp+tls": portModbusTLS, BACnet: portBACnet}[g.Scheme]
	}
	if port == "" {
		port = portModbus
	}
	if n, err := strconv.Atoi(port); err != nil || n < 1 || n > 65535 {
		t.fault("url", fmt.Sprintf("the url %q has a wrong port", g.URL), "write a port from 1 to 65535; Modbus is 502, BACnet 47808")
	}
	if u.Hostname() == "" || u.Path != "" && u.Path != "/" || u.RawQuery != "" || u.User != nil || u.Fragment != "" {
		t.fault("url", fmt.Sprintf("the url %q is not a host and a port alone", g.URL), remedy)
	}
	g.Address = net.JoinHostPort(u.Hostname(), port)
}

// timing reads when and how fast the gateway is asked.
func (a *assembly) timing(t *table, g *Gateway) {
	g.PollEvery = t.duration("poll_every", a.fleet.PollEvery, leastPollEvery)
	stale := a.fleet.StaleAfter
	if !a.staleGiven {
		stale = max(stale, stalePolls*g.PollEvery)
	}
	g.StaleAfter = t.duration("stale_after", stale, 0)
	if g.StaleAfter < g.PollEvery && (t.has("stale_after") || t.has("poll_every")) {
		t.fault(either(t, "stale_after", "poll_every"), "values would be stale before the next poll",
			"write a stale_after of several times poll_every")
	}
	share := time.Duration(2)
	if g.BACnet() {
		share = triesBACnet + 1 // all of them end within the period
	}
	g.Timeout = t.duration("timeout", min(defaultTimeout, g.PollEvery/share), time.Millisecond)
	if g.Timeout >= g.PollEvery {
		t.fault("timeout", "one unit that does not answer would take the whole period",
			fmt.Sprintf("write a timeout well below poll_every (%v)", g.PollEvery))
	}
	t.ofModbus(g)
	g.MaxGap = t.integer("max_gap", defaultMaxGap, 0, mostRegisters)
	g.MaxRegisters = t.integer("max_registers", mostRegisters, 1, mostRegisters)
	g.Pause = t.duration("pause", 0, 0)
	late := time.Duration(0)
	if g.Scheme == "rtu" || g.Scheme == "rtuovertcp" {
		late = lateReplyPerWait * g.Timeout
	}
	g.LateReply = t.duration("late_reply", late, 0)
}

// either returns the first of two keys if it is given, or else the second: the
// one of the two whose line a fault should name.
func either(t *table, first, second string) string {
	if t.has(first) {
		return first
	}
	return second
}

// serial reads the settings of a serial line.
func (t *table) serial(g *Gateway) {
	isSerial := g.Scheme == "rtu"
	for _, key := range []string{"baud", "data_bits", "parity", "stop_bits"} {
		if t.has(key) && !isSerial && g.Scheme != "" {
			t.fault(key, fmt.Sprintf("%s is for rtu:// gateways", key),
				"remove it; the speed of the serial side of a network gateway is line_baud")
		}
	}
	if t.has("line_baud") && isSerial {
		t.fault("line_baud", "line_baud is for gateways on a network", "write the speed of an rtu:// line as baud")
	}
	const slowest, fastest = 300, 4_000_000
	baud := t.integer("baud", defaultBaud, slowest, fastest)
	bits := t.integer("data_bits", defaultDataBits, 7, 8)
	parity := t.choice("parity", "none", "none", "even", "odd")
	stop := 1
	if parity == "none" {
		stop = 2 // keeps a character at 11 bits: Modbus over Serial Line V1.02, section 2.5.1
	}
	stop = t.integer("stop_bits", stop, 1, 2)
	g.LineBaud = t.integer("line_baud", 0, slowest, fastest)
	if isSerial {
		g.Baud, g.DataBits, g.Parity, g.StopBits = baud, bits, parity, stop
	}
}

// security reads the files of a tcp+tls gateway.
func (a *assembly) security(t *table, g *Gateway) {
	files := []struct {
		key, what string
		path      *string
	}{
		{"tls_cert", "the certificate of this program", &g.TLSCert},
		{"tls_key", "the key of that certificate", &g.TLSKey},
		{"tls_ca", "the authority that signed the gateway's certificate", &g.TLSCA},
	}
	for _, f := range files {
		switch {
		case t.has(f.key) && g.Scheme != "tcp+tls" && g.Scheme != "":
			t.fault(f.key, f.key+" is for tcp+tls:// gateways", "remove it, or write the url with tcp+tls://")
			t.text(f.key, "")
			continue
		case !t.has(f.key) && g.Scheme == "tcp+tls":
			t.require(f.key, fmt.Sprintf("name the PEM file of %s; both ends of Modbus/TCP Security show a certificate", f.what))
			t.know(f.key)
			continue
		}
		if name := t.text(f.key, ""); name != "" {
			*f.path = a.beside(name)
			if _, err := a.open(*f.path); errors.Is(err, fs.ErrNotExist) {
				t.fault(f.key, fmt.Sprintf("there is no file %s", *f.path), "name a PEM file; its path is relative to the fleet file")
			}
		}
	}
}

// ownPoints reads what the gateway says about itself.
func (a *assembly) ownPoints(t *table, g *Gateway) {
	g.Unit = t.unit(g.Scheme, t.has("pointmap"))
	if !t.has("pointmap") {
		t.know("pointmap")
		return
	}
	g.PointMap, _ = refer(t, a.pointMaps, "pointmap", "point map")
	if g.PointMap == nil {
		return
	}
	a.notes(g.PointMap).ofGateway = true
	if !t.speaks(g, g.PointMap) {
		return
	}
	for _, p := range g.PointMap.Points {
		if p.Point < reading.HeardAgo {
			t.fault("pointmap", fmt.Sprintf("point map %q has %s, which is a fan's", g.PointMap.Name, p.Point),
				"give the gateway a map of its own with heard_ago, heartbeat or outdoor_temperature only")
			break
		}
		placed := p.place()
		if placed.Unit = g.Unit; p.Device != 0 {
			placed.Unit = p.Device
		}
		g.Points = append(g.Points, placed)
	}
}

// unit reads the unit that a gateway or a fan answers as. Serial lines have the
// units 1 to 247 (Modbus over Serial Line V1.02, section 2.2); over TCP 0 and
// 255 are the gateway itself (Messaging Implementation Guide V1.0b, 4.4.1.2).
//
// A BACnet device has an instance, which nothing can be taken for where it is
// wanted.
func (t *table) unit(scheme string, wanted bool) int {
	if scheme == BACnet {
		if wanted {
			t.require("unit", "write the instance of its BACnet device, as in unit = 1201")
		}
		return t.integer("unit", 0, 0, maxInstance)
	}
	if scheme == "rtu" || scheme == "rtuovertcp" {
		return t.integer("unit", defaultUnit, 1, 247)
	}
	return t.integer("unit", defaultUnit, 0, 255)
}

// sameEndpoints reports gateways that share one connection.
func (a *assembly) sameEndpoints() {
	seen := make(map[string]*Gateway)
	for _, g := range a.fleet.Gateways {
		transport := strings.TrimPrefix(g.Scheme, "rtuover")
		if transport == "tcp+tls" {
			transport = "tcp"
		}
		if g.Address == "" || g.BACnet() { // on a network of BACnet devices there is room for many conversations
			continue
		}
		end := transport + "://" + strings.ToLower(g.Address)
		if g.Scheme == "rtu" {
			end = g.Address
		}
		if first := seen[end]; first != nil {
			at := a.gateways[string(g.ID)]
			a.add(at.file, at.line, fmt.Sprintf("gateway %q has the same endpoint as gateway %q, and one line holds one conversation",
				g.ID, first.ID), "make them one gateway; its fans may stand in several buildings")
			continue
		}
		seen[end] = g
	}
}

// badListen says what is wrong with an address to listen on, "" if nothing is.
func badListen(address string) string {
	_, port, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Sprintf("the address %q cannot be read", address)
	}
	if n, err := strconv.Atoi(port); err != nil || n < 0 || n > 65535 {
		return fmt.Sprintf("the address %q has a wrong port", address)
	}
	return ""
}
