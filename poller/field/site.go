package field

import (
	"context"
	"net"
	"net/netip"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/network"
	"fanwarden/poller/field/internal/objects"
)

// site is a BACnet gateway with the devices of its fans. Where a device stands
// follows from its instance, as people number them: 1203 has address 3 on
// network 12, behind the gateway, which is a router; one below a hundred is on the
// IP network itself, the first of them at the gateway's own address and the
// others at ports of their own.
type site struct {
	relay
	ctx   context.Context // of the server
	tasks sync.WaitGroup

	// Guarded by the server's lock.
	network  *network.Network
	stations []*stationed
	spots    []*spot
	wanted   int        // sockets
	due      []datagram // what is to be sent once the lock is free

	mu         sync.Mutex
	sockets    []net.PacketConn // empty while the gateway is off
	later      context.Context  // ends when the gateway goes off
	off        context.CancelFunc
	leaving    chan struct{} // holds a token for each datagram that leaves later
	complained bool
}

// stationed is a device at its place.
type stationed struct {
	*network.Station
	place network.Station // as long as it has not moved
	other int             // socket that it moves to, of one on the IP network
	fans  []*config.Fan   // whose controller it is
}

// onIP is the number of instances that stand on the IP network itself, and that
// one network behind the router has room for. (Common practice of the trade.)
const onIP = 100

func newSite(ctx context.Context, g *config.Gateway, s *Server, seed uint64) *site {
	site := &site{relay: newRelay(g, s, seed), ctx: ctx, leaving: make(chan struct{}, mostAtOnce)}
	site.network = &network.Network{Send: site.queue}
	site.build()
	site.wanted = site.settle()
	site.refresh()
	s.field.watch = append(s.field.watch, site.refresh)
	return site
}

// settle gives every device its place, and counts the sockets that they need: the
// router's, and those of devices on the IP network, which each have a second one to
// move to.
func (s *site) settle() (sockets int) {
	sockets, first := 1, true
	slices.SortFunc(s.stations, func(a, b *stationed) int { return int(a.Device.Instance) - int(b.Device.Instance) })
	for _, at := range s.stations {
		switch n := at.Device.Instance; {
		case n >= onIP:
			at.Behind = bacnet.Network{Number: uint16(n / onIP), MAC: string([]byte{uint8(n % onIP)})}
		case first:
			at.other, first = sockets, false
			sockets++
		default:
			at.Socket, at.other = sockets, sockets+1
			sockets += 2
		}
		at.place = *at.Station
		s.network.Stations = append(s.network.Stations, at.Station)
	}
	return sockets
}

// move puts a device to another address, or back: behind the router another one
// on its network, on the IP network its other socket.
func (s *site) move(at *stationed, moved bool) {
	at.Behind, at.Socket = at.place.Behind, at.place.Socket
	switch {
	case !moved:
	case at.Behind.Number != 0:
		at.Behind.MAC = string([]byte{at.Behind.MAC[0] + onIP})
	default:
		at.Socket = at.other
	}
}

// The messages of devices: those behind the router stand on a serial network,
// whose messages are short and where nothing comes in segments. (MS/TP takes 480
// bytes of an APDU, clause 6; BACnet/IP 1476.)
const (
	serialAPDU = 480
	wholeAPDU  = 1476
	leastAPDU  = 50
)

// refresh lets the devices be what the troubles make of them. It is called
// whenever a fault comes or goes, with the server's lock held.
func (s *site) refresh() {
	now := s.troubles()
	s.hold(now)
	for _, at := range s.stations {
		d := at.Device
		d.MaxAPDU, d.Segments = wholeAPDU, true
		if at.place.Behind.Number != 0 {
			d.MaxAPDU, d.Segments = serialAPDU, false
		}
		d.RefusesMultiple, d.RefusesSubscriptions = objects.Answers, false
		isMoved := false
		for _, fan := range at.fans {
			troubles := &s.server.field.units[fan.ID].troubles
			if t := &troubles[smallAPDU]; t.on {
				d.MaxAPDU, d.Segments = int(t.or(leastAPDU)), false
			}
			if t := &troubles[refusesMultiple]; t.on {
				d.RefusesMultiple = int(t.or(objects.WithError))
			}
			d.RefusesSubscriptions = d.RefusesSubscriptions || troubles[refusesSubscriptions].on
			isMoved = isMoved || troubles[moved].on
		}
		s.move(at, isMoved)
		at.Silent = s.silent(now, at)
	}
}

// silent reports whether a device does not answer: behind a router that hears
// nobody, or by itself. Where the gateway shows zeros it answers in its place.
func (s *site) silent(now troubles, at *stationed) bool {
	if now.zeros != nil {
		return false
	}
	if now.trunk != nil && at.place.Behind.Number != 0 {
		return true
	}
	return slices.ContainsFunc(at.fans, func(fan *config.Fan) bool { return s.server.field.units[fan.ID].troubles[silentUnit].on })
}

func (s *site) served() *config.Gateway { return s.gateway }

func (s *site) wait() { s.tasks.Wait() }

// complain says once that the site cannot be opened again.
func (s *site) complain(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.complained {
		s.server.log.Error("the gateway cannot be switched on again", zap.String("gateway", string(s.gateway.ID)), zap.Error(err))
	}
	s.complained = true
}

// step lets time pass: subscribers are told of changes, and what is not
// acknowledged goes out again.
func (s *site) step() {
	s.server.mu.Lock()
	s.network.Tick(time.Now())
	due := s.dispatch()
	s.server.mu.Unlock()
	s.post(due)
}

// address is a socket's address without the disguise of IPv6.
func address(a net.Addr) netip.AddrPort {
	p := a.(*net.UDPAddr).AddrPort()
	return netip.AddrPortFrom(p.Addr().Unmap(), p.Port())
}
