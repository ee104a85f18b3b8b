package bacnet

import (
	"bytes"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"
)

// wires is a network in memory. lost says which datagrams do not arrive.
type wires struct {
	mu    sync.Mutex
	ends  map[netip.AddrPort]*plug
	lost  func(to netip.AddrPort) bool
	count int
}

// packet is a datagram on its way.
type packet struct {
	from netip.AddrPort
	data []byte
}

// plug is a socket of the network.
type plug struct {
	net.PacketConn // what nobody calls
	wires          *wires
	own            netip.AddrPort
	in             chan packet
	closed         chan struct{}
	once           sync.Once
}

func newWires() *wires {
	return &wires{ends: make(map[netip.AddrPort]*plug), lost: func(netip.AddrPort) bool { return false }}
}

func (w *wires) plug(at string) *plug {
	p := &plug{wires: w, own: netip.MustParseAddrPort(at), in: make(chan packet, 1000), closed: make(chan struct{})}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.ends[p.own] = p
	return p
}

func (p *plug) ReadFrom(b []byte) (int, net.Addr, error) {
	select {
	case d := <-p.in:
		return copy(b, d.data), net.UDPAddrFromAddrPort(d.from), nil
	case <-p.closed:
		return 0, nil, net.ErrClosed
	}
}

var everybody = netip.MustParseAddrPort("10.0.0.255:47808")

func (p *plug) WriteTo(b []byte, to net.Addr) (int, error) {
	p.wires.mu.Lock()
	defer p.wires.mu.Unlock()
	for at, end := range p.wires.ends {
		if at == p.own || at != address(to) && address(to) != everybody {
			continue
		}
		if p.wires.count++; !p.wires.lost(at) {
			end.in <- packet{p.own, bytes.Clone(b)}
		}
	}
	return len(b), nil
}

func (p *plug) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

// controller is a device of the simulated field.
type controller struct {
	iam      IAm
	network  Network // behind a router
	refuses  bool    // multiple reads
	hidden   bool    // its I-Am is not heard
	values   map[Reference]Value
	asked    map[uint8]int // requests by service
	commands []Write
	watched  []SubscribeCOV
	shuffles bool // answers a multiple read in an order of its own
	segments map[uint8]*sending
}

// sending is an answer on its way in segments.
type sending struct {
	parts  [][]byte
	acked  int // the first that is not acknowledged
	window int
}

// node is an address with the devices behind it: one of its own, or a router's.
type node struct {
	plug    net.PacketConn
	mu      sync.Mutex
	devices []*controller
	lookups int // Who-Is that came
}

func (w *wires) node(at string, devices ...*controller) *node {
	return serve(w.plug(at), devices...)
}

// serve puts devices behind a socket.
func serve(at net.PacketConn, devices ...*controller) *node {
	n := &node{plug: at, devices: devices}
	for _, d := range devices {
		d.asked, d.segments = make(map[uint8]int), make(map[uint8]*sending)
	}
	go n.serve()
	return n
}

func (n *node) serve() {
	var buffer [longestDatagram]byte
	for {
		size, from, err := n.plug.ReadFrom(buffer[:])
		if err != nil {
			return
		}
		m, _ := ParseBVLC(bytes.Clone(buffer[:size]))
		npdu, err := ParseNPDU(m.Data)
		if err != nil {
			continue
		}
		a, _ := ParseAPDU(npdu.Data)
		n.mu.Lock()
		for _, d := range n.devices {
			if npdu.Destination == d.network || npdu.Destination == EveryNetwork {
				n.take(d, a, address(from))
			}
		}
		n.mu.Unlock()
	}
}

func (n *node) send(d *controller, a APDU, to netip.AddrPort) {
	npdu := NPDU{Source: d.network, Data: a.Append(nil)}
	n.plug.WriteTo(BVLC{Function: OriginalUnicastNPDU, Data: npdu.Append(nil)}.Append(nil), net.UDPAddrFromAddrPort(to))
}

func (n *node) take(d *controller, a APDU, from netip.AddrPort) {
	switch {
	case a.Type == UnconfirmedRequest && a.Service == ServiceWhoIs:
		w, _ := ParseWhoIs(a.Data)
		n.lookups++
		if d.hidden {
			return
		}
		if !w.Limited || w.Low <= d.iam.Instance && d.iam.Instance <= w.High {
			n.send(d, APDU{Type: UnconfirmedRequest, Service: ServiceIAm, Data: d.iam.Append(nil)}, from)
		}
	case a.Type == ConfirmedRequest:
		d.asked[a.Service]++
		n.answer(d, d.answer(a), from)
	case a.Type == SegmentAck && d.segments[a.InvokeID] != nil:
		s := d.segments[a.InvokeID]
		s.acked, s.window = int(a.Sequence)+1, int(a.Window)
		n.sendWindow(d, a.InvokeID, from)
	}
}

// answer carries a request out.
func (d *controller) answer(a APDU) APDU {
	ack := APDU{Type: ComplexAck, InvokeID: a.InvokeID, Service: a.Service}
	switch a.Service {
	case ServiceReadProperty:
		p, _ := ParseReadProperty(a.Data)
		v, known := d.values[p]
		if !known {
			return APDU{Type: ErrorPDU, InvokeID: a.InvokeID, Service: a.Service, Data: AppendError(nil, RemoteError{1, 31})}
		}
		ack.Data = AppendReadPropertyAck(nil, Result{Reference: p, Values: []Value{v}})
		return ack
	case ServiceReadPropertyMultiple:
		if d.refuses {
			return APDU{Type: RejectPDU, InvokeID: a.InvokeID, Service: 9}
		}
		asked, _ := ParseReadPropertyMultiple(a.Data)
		var all []Result
		for _, p := range asked {
			if v, known := d.values[p]; known {
				all = append(all, Result{Reference: p, Values: []Value{v}})
			} else {
				all = append(all, Result{Reference: p, Err: &RemoteError{1, 31}})
			}
		}
		if d.shuffles {
			slices.Reverse(all)
		}
		ack.Data = AppendReadPropertyMultipleAck(nil, all)
		return ack
	case ServiceWriteProperty:
		w, _ := ParseWrite(a.Data)
		d.commands = append(d.commands, w)
	case ServiceSubscribeCOV:
		s, _ := ParseSubscribeCOV(a.Data)
		d.watched = append(d.watched, s)
	}
	return APDU{Type: SimpleAck, InvokeID: a.InvokeID, Service: a.Service}
}

// answer sends an answer, in segments where it is too long for one.
func (n *node) answer(d *controller, a APDU, to netip.AddrPort) {
	size := int(d.iam.MaxAPDU)
	switch {
	case len(a.Data)+3 <= size:
		n.send(d, a, to)
		return
	case d.iam.Segmentation == NoSegmentation:
		n.send(d, APDU{Type: AbortPDU, Server: true, InvokeID: a.InvokeID, Service: 4}, to)
		return
	}
	s := &sending{window: 1}
	for part := range chunks(a.Data, size-5) {
		more := len(s.parts)*(size-5)+len(part) < len(a.Data)
		piece := a
		piece.Segmented, piece.MoreFollows, piece.Sequence, piece.Window, piece.Data = true, more, uint8(len(s.parts)), 4, part
		s.parts = append(s.parts, piece.Append(nil))
	}
	d.segments[a.InvokeID] = s
	n.sendWindow(d, a.InvokeID, to)
	go n.again(d, s, a.InvokeID, to)
}

func chunks(b []byte, size int) func(func([]byte) bool) {
	return func(yield func([]byte) bool) {
		for ; len(b) > 0; b = b[min(size, len(b)):] {
			if !yield(b[:min(size, len(b))]) {
				return
			}
		}
	}
}

func (n *node) sendWindow(d *controller, invoke uint8, to netip.AddrPort) {
	s := d.segments[invoke]
	for i := s.acked; i < min(len(s.parts), s.acked+s.window); i++ {
		a, _ := ParseAPDU(s.parts[i])
		n.send(d, a, to)
	}
}

// again sends a window that nobody acknowledged.
func (n *node) again(d *controller, s *sending, invoke uint8, to netip.AddrPort) {
	for range 6 {
		n.mu.Lock()
		before := s.acked
		n.mu.Unlock()
		time.Sleep(2 * time.Second)
		n.mu.Lock()
		if d.segments[invoke] == s && s.acked == before && before < len(s.parts) {
			n.sendWindow(d, invoke, to)
		}
		n.mu.Unlock()
	}
}
