package network

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/objects"
)

var (
	router = netip.MustParseAddrPort("10.0.0.1:47808")
	beside = netip.MustParseAddrPort("10.0.0.2:47808")
	client = netip.MustParseAddrPort("10.0.0.9:50000")
)

// site is a network in memory, with one peer, in synthetic time.
type site struct {
	net.PacketConn // what nobody calls
	mu             sync.Mutex
	network        *Network
	in             chan packet
	closed         chan struct{}
	lost           func(datagram []byte, outwards bool) bool
	sent           [][]byte // by the network
	values         map[uint32]float32
}

type packet struct {
	from netip.AddrPort
	data []byte
}

// newSite is three devices: 5 stands at the router's own address, 6 beside it on
// the IP network, and 1203 behind the router on network 12.
func newSite() *site {
	s := &site{in: make(chan packet, 1000), closed: make(chan struct{}), lost: func([]byte, bool) bool { return false },
		values: map[uint32]float32{5: 5, 6: 6, 1203: 1203}}
	s.network = &Network{Sockets: []netip.AddrPort{router, beside}, Send: s.send, Stations: []*Station{
		{Device: s.device(5)}, {Device: s.device(6), Socket: 1},
		{Device: s.device(1203), Behind: bacnet.Network{Number: 12, MAC: "\x03"}}}}
	return s
}

// device has forty analog inputs with long descriptions; the first shows what the
// site says, and one binary value takes commands.
func (s *site) device(instance uint32) *objects.Device {
	d := &objects.Device{Instance: instance, Name: fmt.Sprint("device ", instance), MaxAPDU: 480, Segments: true}
	for i := range uint32(40) {
		d.Put(&objects.Object{ID: bacnet.ObjectID{Instance: i}, Name: fmt.Sprint("input ", i), Description: "as an exhaust fan's riser has them",
			Show: func() objects.Shown { return objects.Shown{Value: bacnet.RealValue(s.values[instance] + float32(i))} }})
	}
	return d
}

func (s *site) send(socket int, to netip.AddrPort, datagram []byte) {
	if s.sent = append(s.sent, datagram); to == client && !s.lost(datagram, true) {
		s.in <- packet{s.network.Sockets[socket], datagram}
	}
}

func (s *site) ReadFrom(b []byte) (int, net.Addr, error) {
	select {
	case p := <-s.in:
		return copy(b, p.data), net.UDPAddrFromAddrPort(p.from), nil
	case <-s.closed:
		return 0, nil, net.ErrClosed
	}
}

func (s *site) WriteTo(b []byte, to net.Addr) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for i, at := range s.network.Sockets {
		if at == to.(*net.UDPAddr).AddrPort() && !s.lost(b, false) {
			s.network.Receive(time.Now(), i, client, bytes.Clone(b))
		}
	}
	return len(b), nil
}

func (s *site) Close() error {
	close(s.closed)
	return nil
}

// with runs a test with a client of the site, in synthetic time.
func with(t *testing.T, o bacnet.Options, test func(*testing.T, *site, *bacnet.Client)) {
	t.Helper()
	synctest.Test(t, func(t *testing.T) {
		s := newSite()
		if o.Broadcast = router; o.BBMD.IsValid() {
			o.Broadcast = netip.AddrPort{}
		}
		c := bacnet.New(s, o)
		ctx, stop := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() {
			for ctx.Err() == nil {
				select {
				case <-ctx.Done():
				case <-time.After(50 * time.Millisecond):
					s.mu.Lock()
					s.network.Tick(time.Now())
					s.mu.Unlock()
				}
			}
		})
		defer func() { stop(); running.Wait(); c.Close() }()
		test(t, s, c)
	})
}
