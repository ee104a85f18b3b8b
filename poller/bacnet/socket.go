package bacnet

import (
	"bytes"
	"encoding/binary"
	"errors"
	"net"
	"net/netip"
	"time"
)

// longestDatagram is more than any BACnet/IP datagram has: 1497 bytes of NPDU
// and the BVLC's ten (clause 6 and Annex J).
const longestDatagram = 1600

// hops is the hop count of a message that leaves for another network.
const hops = 255

// listen takes datagrams until the socket is closed.
func (c *Client) listen() {
	var buffer [longestDatagram]byte
	for {
		n, from, err := c.conn.ReadFrom(buffer[:])
		switch {
		case c.ctx.Err() != nil || errors.Is(err, net.ErrClosed):
			return
		case err != nil: // an ICMP message of one device ends no socket
			time.Sleep(time.Millisecond)
			continue
		}
		c.datagram(bytes.Clone(buffer[:n]), address(from))
	}
}

// address is a socket's address without the disguise of IPv6.
func address(a net.Addr) netip.AddrPort {
	if udp, ok := a.(*net.UDPAddr); ok {
		p := udp.AddrPort()
		return netip.AddrPortFrom(p.Addr().Unmap(), p.Port())
	}
	p, _ := netip.ParseAddrPort(a.String())
	return p
}

// datagram takes one datagram. What makes no sense is dropped, as if it had
// been lost.
func (c *Client) datagram(b []byte, from netip.AddrPort) {
	m, err := ParseBVLC(b)
	if err != nil {
		return
	}
	switch m.Function {
	case BVLCResult:
		c.result(m.Data, from)
		return
	case ForwardedNPDU:
		from = m.Origin
	case OriginalUnicastNPDU, OriginalBroadcastNPDU:
	default:
		return
	}
	n, err := ParseNPDU(m.Data)
	if err != nil {
		return
	}
	if n.Message {
		c.network(n.Data, from)
		return
	}
	if a, err := ParseAPDU(n.Data); err == nil {
		c.message(a, Station{from, n.Source})
	}
}

// message hands an APDU to whom it is for.
func (c *Client) message(a APDU, from Station) {
	switch a.Type {
	case UnconfirmedRequest:
		c.unconfirmed(a, from)
	case ConfirmedRequest:
		c.confirmed(a, from)
	default:
		c.mu.Lock()
		defer c.mu.Unlock()
		if answers := c.waiting[exchange{from, a.InvokeID}]; answers != nil {
			select {
			case answers <- a:
			default: // more than was asked for
			}
		}
	}
}

func (c *Client) unconfirmed(a APDU, from Station) {
	switch a.Service {
	case ServiceIAm:
		if i, err := ParseIAm(a.Data); err == nil {
			c.met(i, from)
		}
	case ServiceUnconfirmedCOV:
		if n, err := ParseCOVNotification(a.Data); err == nil {
			c.changed(n)
		}
	}
}

// confirmed answers what devices ask of us: to take a change of value, and
// nothing else.
func (c *Client) confirmed(a APDU, from Station) {
	answer := APDU{Type: RejectPDU, InvokeID: a.InvokeID, Service: UnrecognizedService}
	if a.Service == ServiceConfirmedCOV && !a.Segmented {
		if n, err := ParseCOVNotification(a.Data); err == nil {
			c.changed(n)
			answer = APDU{Type: SimpleAck, InvokeID: a.InvokeID, Service: ServiceConfirmedCOV}
		}
	}
	c.send(answer, from, false) // lost like any datagram: the device asks again
}

// send writes one APDU to a station.
func (c *Client) send(a APDU, to Station, expecting bool) error {
	n := NPDU{Destination: to.Network, HopCount: hops, ExpectingReply: expecting, Data: a.Append(nil)}
	return c.write(BVLC{Function: OriginalUnicastNPDU, Data: n.Append(nil)}, to.Via)
}

func (c *Client) write(m BVLC, to netip.AddrPort) error {
	_, err := c.conn.WriteTo(m.Append(nil), net.UDPAddrFromAddrPort(to))
	return err
}

// result takes the BBMD's answer to a registration, or its refusal of a broadcast,
// which it has for those that are not registered.
func (c *Client) result(data []byte, from netip.AddrPort) {
	if len(data) != 2 || from != c.options.BBMD {
		return
	}
	code := binary.BigEndian.Uint16(data)
	if code == distributeNAK {
		select {
		case c.unknown <- struct{}{}:
		default:
		}
		return
	}
	select {
	case c.results <- code:
	default:
	}
}
