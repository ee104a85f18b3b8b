package network

import (
	"net/netip"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/objects"
)

// Network is the devices behind one address, and those that stand beside it on
// the same IP network. It is not safe for use by several goroutines at once.
type Network struct {
	// Sockets are the addresses on the IP network: first that of the router and
	// BBMD, where broadcasts are heard too, then those of devices that have one of
	// their own.
	Sockets []netip.AddrPort
	// Stations are the devices, wherever they stand.
	Stations []*Station
	// Send sends a datagram from a socket.
	Send func(socket int, to netip.AddrPort, datagram []byte)

	now     time.Time
	foreign map[netip.AddrPort]time.Time // registered foreign devices, until when
}

// Station is a device at its place.
type Station struct {
	Device *objects.Device
	Socket int            // where it stands on the IP network; 0 is the router's own
	Behind bacnet.Network // where it stands behind the router; zero: nowhere
	Silent bool           // it hears nothing and says nothing

	transfers map[exchange]*transfer
	watches   map[watcher]*watch
	notices   map[exchange]*notice
	invoke    uint8 // of the next notice
}

// exchange is a request of a peer, or to one.
type exchange struct {
	peer   bacnet.Station
	invoke uint8
}

// The message of a router that knows a network, and of one who looks for it
// (clause 6.4).
const (
	whoIsRouter = 0x00
	iAmRouter   = 0x01
)

// hops is the hop count of a message that leaves for another network.
const hops = 255

// Receive takes a datagram that came in by a socket. What makes no sense is
// dropped. The datagram may be kept.
func (n *Network) Receive(now time.Time, socket int, from netip.AddrPort, datagram []byte) {
	n.now = now
	m, err := bacnet.ParseBVLC(datagram)
	if err != nil {
		return
	}
	heard := hearing{peer: bacnet.Station{Via: from}, socket: socket}
	switch m.Function {
	case bacnet.OriginalUnicastNPDU:
	case bacnet.OriginalBroadcastNPDU:
		heard.broadcast = socket == 0
	case bacnet.DistributeBroadcast:
		if !n.distributes(from, socket) {
			n.result(from, socket, distributeRefused)
			return
		}
		heard.broadcast, heard.distributed = true, true
		n.forward(from, m.Data, from)
	case bacnet.RegisterForeignDevice:
		n.register(from, socket, m.Data)
		return
	default:
		return
	}
	p, err := bacnet.ParseNPDU(m.Data)
	if err != nil {
		return
	}
	heard.peer.Network = p.Source
	n.route(heard, p)
}

// hearing is how a message was heard.
type hearing struct {
	peer        bacnet.Station
	socket      int
	broadcast   bool // at the first socket, which stands for the whole IP network
	distributed bool // by the BBMD for a foreign device
}

// route gives a message to the devices that it is for.
func (n *Network) route(h hearing, p bacnet.NPDU) {
	if p.Message {
		n.tellRoutes(h, p.Data)
		return
	}
	a, err := bacnet.ParseAPDU(p.Data)
	if err != nil {
		return
	}
	for _, s := range n.Stations {
		if !s.Silent && n.reaches(h, p.Destination, s) {
			n.take(s, h, a)
		}
	}
}

// reaches reports whether a message to a destination comes to a device. Only the
// first socket is a router's.
func (n *Network) reaches(h hearing, to bacnet.Network, s *Station) bool {
	hears := h.broadcast || h.socket == s.Socket
	switch {
	case s.Behind == bacnet.Network{}:
		return hears && (to == bacnet.Network{} || to == bacnet.EveryNetwork)
	case h.socket != 0 && !h.broadcast:
		return false
	case to == bacnet.EveryNetwork:
		return true
	}
	return to.Number == s.Behind.Number && (to.MAC == "" || to.MAC == s.Behind.MAC)
}

// tellRoutes answers who looks for a router to a network, or to any.
func (n *Network) tellRoutes(h hearing, message []byte) {
	if len(message) == 0 || message[0] != whoIsRouter {
		return
	}
	answer := []byte{iAmRouter}
	told := make(map[uint16]bool)
	for _, s := range n.Stations {
		number := s.Behind.Number
		asked := len(message) < 3 || uint16(message[1])<<8|uint16(message[2]) == number
		if number != 0 && asked && !told[number] {
			told[number] = true
			answer = append(answer, uint8(number>>8), uint8(number))
		}
	}
	if len(told) > 0 {
		n.unicast(0, h.peer, bacnet.NPDU{Message: true, Data: answer})
	}
}

// take gives a device a message that is for it.
func (n *Network) take(s *Station, h hearing, a bacnet.APDU) {
	switch {
	case a.Type == bacnet.UnconfirmedRequest && a.Service == bacnet.ServiceWhoIs:
		if w, err := bacnet.ParseWhoIs(a.Data); err == nil && (!w.Limited || w.Low <= s.Device.Instance && s.Device.Instance <= w.High) {
			n.introduce(s, h)
		}
	case a.Type == bacnet.ConfirmedRequest && !h.broadcast:
		n.request(s, h.peer, a)
	case a.Type == bacnet.SegmentAck && !a.Server:
		n.acknowledged(s, exchange{h.peer, a.InvokeID}, a)
	case a.Type == bacnet.AbortPDU && !a.Server:
		delete(s.transfers, exchange{h.peer, a.InvokeID})
	case a.Type == bacnet.SimpleAck || a.Type == bacnet.ErrorPDU || a.Type == bacnet.RejectPDU || a.Type == bacnet.AbortPDU:
		n.noticed(s, exchange{h.peer, a.InvokeID})
	}
}

// introduce lets a device say who it is: to who asked, or to all foreign devices
// where one of them asked, as the BBMD hands broadcasts on.
func (n *Network) introduce(s *Station, h hearing) {
	a := bacnet.APDU{Type: bacnet.UnconfirmedRequest, Service: bacnet.ServiceIAm, Data: s.Device.IAm().Append(nil)}
	if !h.distributed {
		n.send(s, h.peer, a, false)
		return
	}
	p := bacnet.NPDU{Destination: bacnet.EveryNetwork, Source: s.Behind, HopCount: hops - 1, Data: a.Append(nil)}
	n.forward(n.Sockets[s.Socket], p.Append(nil), netip.AddrPort{})
}

// request carries a confirmed request out.
func (n *Network) request(s *Station, peer bacnet.Station, a bacnet.APDU) {
	e := exchange{peer, a.InvokeID}
	switch {
	case s.transfers[e] != nil: // asked again while the answer is on its way
	case a.Segmented:
		n.send(s, peer, objects.Aborted(a, bacnet.SegmentationNotSupported), false)
	case len(a.Data)+requestHead > s.Device.MaxAPDU:
		n.send(s, peer, objects.Aborted(a, bacnet.BufferOverflow), false)
	case a.Service == bacnet.ServiceSubscribeCOV:
		n.subscribe(s, peer, a)
	default:
		n.answer(s, e, a, s.Device.Answer(a))
	}
}

// send sends a device's message to a peer.
func (n *Network) send(s *Station, peer bacnet.Station, a bacnet.APDU, expecting bool) {
	n.unicast(s.Socket, peer, bacnet.NPDU{Source: s.Behind, ExpectingReply: expecting, Data: a.Append(nil)})
}

func (n *Network) unicast(socket int, peer bacnet.Station, p bacnet.NPDU) {
	if p.Destination = peer.Network; p.Destination.Number != 0 {
		p.HopCount = hops
	}
	n.Send(socket, peer.Via, bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: p.Append(nil)}.Append(nil))
}

// Tick lets time pass: what was not acknowledged is sent again, who subscribed is
// told of changes, and what has run out is dropped.
func (n *Network) Tick(now time.Time) {
	n.now = now
	for address, until := range n.foreign {
		if now.After(until) {
			delete(n.foreign, address)
		}
	}
	for _, s := range n.Stations {
		n.resend(s)
		n.tellChanges(s)
		n.remind(s)
	}
}
