package poller_test

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/modbus"
)

// dialModbus is how the daemon dials, over the real Modbus session.
func dialModbus(ctx context.Context, g *config.Gateway) (poller.Session, error) {
	session, err := modbus.Open(ctx, modbus.Options{Scheme: g.Scheme, Address: g.Address, Timeout: g.Timeout,
		Baud: g.SerialBaud(), DataBits: g.DataBits, Parity: g.Parity, StopBits: g.StopBits})
	if err != nil {
		return nil, err
	}
	return session, nil
}

// request is what a test gateway is asked.
type request struct {
	unit, function byte
	address, count int
}

// reply is what it does about it.
type reply struct {
	after     time.Duration
	silent    bool
	exception byte // 0: answers
	hangUp    bool // closes the connection instead
}

// gateway is a test gateway on a loopback socket. Every register holds its
// unit in the high byte and its address in the low one, so that a value that
// turns up in the wrong place can be told.
type gateway struct {
	t        *testing.T
	listener net.Listener
	rtu      bool
	// transparent hands an answer to the newest connection, as a serial server
	// does that only passes bytes on; otherwise it goes to the connection that
	// asked.
	transparent bool
	decide      func(request) reply

	lock     sync.Mutex
	newest   net.Conn
	open     map[net.Conn]bool
	accepted int
	closed   bool
	busy     sync.WaitGroup
}

func serve(t *testing.T, rtu, transparent bool, decide func(request) reply) *gateway {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	return serveOn(t, listener, rtu, transparent, decide)
}

func serveOn(t *testing.T, listener net.Listener, rtu, transparent bool, decide func(request) reply) *gateway {
	g := &gateway{t: t, listener: listener, rtu: rtu, transparent: transparent, decide: decide, open: map[net.Conn]bool{}}
	g.busy.Add(1)
	go g.accept()
	t.Cleanup(g.stop)
	return g
}

func (g *gateway) address() string { return g.listener.Addr().String() }

// stop hangs up on everybody and waits until nothing is under way.
func (g *gateway) stop() {
	g.lock.Lock()
	g.closed = true
	g.listener.Close()
	for conn := range g.open {
		conn.Close()
	}
	g.lock.Unlock()
	g.busy.Wait()
}

// hangUp closes every connection, as gateways do with idle ones.
func (g *gateway) hangUp() {
	g.lock.Lock()
	defer g.lock.Unlock()
	for conn := range g.open {
		conn.Close()
	}
}

func (g *gateway) connections() int {
	g.lock.Lock()
	defer g.lock.Unlock()
	return g.accepted
}

func (g *gateway) accept() {
	defer g.busy.Done()
	for {
		conn, err := g.listener.Accept()
		if err != nil {
			return
		}
		g.lock.Lock()
		if g.closed {
			conn.Close()
		}
		g.newest = conn
		g.open[conn] = true
		g.accepted++
		g.busy.Add(1)
		g.lock.Unlock()
		go g.talk(conn)
	}
}

func (g *gateway) talk(conn net.Conn) {
	defer g.busy.Done()
	defer func() {
		conn.Close()
		g.lock.Lock()
		delete(g.open, conn)
		g.lock.Unlock()
	}()
	for {
		header := make([]byte, 6)
		if !g.rtu {
			if _, err := io.ReadFull(conn, header); err != nil {
				return
			}
		}
		frame := make([]byte, 6) // unit, function, address, count
		if _, err := io.ReadFull(conn, frame); err != nil {
			return
		}
		if g.rtu {
			if _, err := io.ReadFull(conn, make([]byte, 2)); err != nil {
				return
			}
		}
		ask := request{frame[0], frame[1], int(binary.BigEndian.Uint16(frame[2:])), int(binary.BigEndian.Uint16(frame[4:]))}
		do := g.decide(ask)
		if do.hangUp {
			return
		}
		if !do.silent {
			g.answer(conn, g.frame(header, ask, do.exception), do.after)
		}
	}
}

// answer sends a frame, now or late.
func (g *gateway) answer(conn net.Conn, frame []byte, after time.Duration) {
	if after == 0 {
		conn.Write(frame)
		return
	}
	g.busy.Add(1)
	time.AfterFunc(after, func() {
		defer g.busy.Done()
		if g.transparent {
			g.lock.Lock()
			conn = g.newest
			g.lock.Unlock()
		}
		conn.Write(frame)
	})
}

// frame builds the answer to a request.
func (g *gateway) frame(header []byte, ask request, exception byte) []byte {
	pdu := []byte{ask.unit, ask.function}
	switch {
	case exception != 0:
		pdu[1] |= 0x80
		pdu = append(pdu, exception)
	case ask.function <= 2:
		pdu = append(pdu, byte((ask.count+7)/8))
		pdu = append(pdu, make([]byte, (ask.count+7)/8)...)
	default:
		pdu = append(pdu, byte(2*ask.count))
		for i := range ask.count {
			pdu = append(pdu, ask.unit, byte(ask.address+i))
		}
	}
	if g.rtu {
		return binary.LittleEndian.AppendUint16(pdu, crc(pdu))
	}
	frame := append([]byte{}, header[:4]...)
	frame = binary.BigEndian.AppendUint16(frame, uint16(len(pdu)))
	return append(frame, pdu...)
}

// crc is the checksum of an RTU frame: Modbus over Serial Line V1.02, section
// 6.2.2. It goes on the wire low byte first.
func crc(frame []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, b := range frame {
		sum ^= uint16(b)
		for range 8 {
			odd := sum&1 != 0
			sum >>= 1
			if odd {
				sum ^= 0xA001
			}
		}
	}
	return sum
}
