package field

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"time"
)

// datagram is one that a site sends.
type datagram struct {
	socket int
	to     netip.AddrPort
	bytes  []byte
	after  time.Duration // how much later than it could
	twice  bool
}

// open binds the sockets of the router and of the devices that have their own.
func (s *site) open() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.sockets) > 0 || s.ctx.Err() != nil {
		return nil
	}
	host, _, _ := net.SplitHostPort(s.gateway.Address)
	at := s.gateway.Address
	var sockets []net.PacketConn
	var addresses []netip.AddrPort
	for range s.wanted {
		conn, err := net.ListenPacket("udp4", at)
		if err != nil {
			for _, opened := range sockets {
				opened.Close()
			}
			return err
		}
		sockets, addresses = append(sockets, conn), append(addresses, address(conn.LocalAddr()))
		at = net.JoinHostPort(host, "0")
	}
	ctx, off := context.WithCancel(s.ctx)
	s.sockets, s.later, s.off, s.complained = sockets, ctx, off, false
	s.server.With(func(*Field) { s.network.Sockets = addresses })
	for i, conn := range sockets {
		s.tasks.Go(func() { s.hear(ctx, i, conn) })
	}
	return nil
}

// close closes the sockets and drops what is to leave later.
func (s *site) close() {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.sockets) == 0 {
		return
	}
	s.off()
	for _, conn := range s.sockets {
		conn.Close()
	}
	s.sockets = nil
}

// longestDatagram is more than any BACnet/IP datagram has: 1497 bytes of NPDU
// and the BVLC's ten (clause 6 and Annex J).
const longestDatagram = 1600

// hear takes datagrams until the socket is closed.
func (s *site) hear(ctx context.Context, socket int, conn net.PacketConn) {
	var buffer [longestDatagram]byte
	for {
		n, from, err := conn.ReadFrom(buffer[:])
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !rest(ctx, acceptPause) {
				return
			}
			continue
		}
		s.server.mu.Lock()
		if !s.loses() {
			s.network.Receive(time.Now(), socket, address(from), append([]byte(nil), buffer[:n]...))
		}
		due := s.dispatch()
		s.server.mu.Unlock()
		s.post(due)
	}
}

// queue keeps what the network sends until the server's lock is free.
func (s *site) queue(socket int, to netip.AddrPort, bytes []byte) {
	s.due = append(s.due, datagram{socket: socket, to: to, bytes: bytes})
}

// dispatch takes what is to be sent and lets the gateway's troubles have their
// way with it. The server's lock is held.
func (s *site) dispatch() []datagram {
	if len(s.due) == 0 {
		return nil
	}
	var kept []datagram
	late, garbles, twice, slow := s.on(AnswersLate) != nil, s.on(SendsGarbage) != nil, s.on(AnswersTwice) != nil, s.slowness()
	for _, d := range s.due {
		if s.loses() {
			continue
		}
		d.after, d.twice = slow, twice
		if late && s.random.Float64() < lateShare {
			d.after += time.Duration((1.1 + 1.4*s.random.Float64()) * float64(s.gateway.Timeout))
		}
		if garbles && s.random.Float64() < garbageShare {
			s.garble(d.bytes)
		}
		kept = append(kept, d)
	}
	s.due = nil
	return kept
}

// lostShare is how many datagrams a network loses that loses some.
const lostShare = 0.2

// loses reports whether the next datagram is lost.
func (s *site) loses() bool {
	fault := s.on(LosesDatagrams)
	if fault == nil {
		return false
	}
	share := fault.Size
	if share == 0 {
		share = lostShare
	}
	return s.random.Float64() < share
}

// garble makes a datagram senseless: no BACnet/IP at all, or its end missing, or
// bytes by chance.
func (s *site) garble(bytes []byte) {
	switch s.random.IntN(3) {
	case 0:
		bytes[0] ^= 0xFF
	case 1:
		bytes[3]-- // its length
	default:
		for i := range bytes {
			bytes[i] = uint8(s.random.Uint32())
		}
	}
}

// post sends what is to leave now, and sees to what leaves later. More of those
// than mostAtOnce are lost.
func (s *site) post(due []datagram) {
	for _, d := range due {
		if d.after == 0 {
			s.write(d)
			continue
		}
		s.mu.Lock()
		ctx := s.later
		s.mu.Unlock()
		select {
		case s.leaving <- struct{}{}:
			s.tasks.Go(func() {
				if rest(ctx, d.after) {
					s.write(d)
				}
				<-s.leaving
			})
		default:
		}
	}
}

func (s *site) write(d datagram) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if d.socket >= len(s.sockets) {
		return
	}
	conn, to := s.sockets[d.socket], net.UDPAddrFromAddrPort(d.to)
	conn.WriteTo(d.bytes, to)
	if d.twice {
		conn.WriteTo(d.bytes, to)
	}
}
