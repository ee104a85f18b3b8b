package field

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
)

// port is the network side of a gateway: a listener while the gateway is on,
// and the connections that came in by it.
type port struct {
	ctx   context.Context // of the server
	line  *line
	tasks sync.WaitGroup

	mu         sync.Mutex
	listener   io.Closer          // nil while the gateway is off
	off        context.CancelFunc // ends what goes on while the gateway is on
	conns      map[net.Conn]struct{}
	complained bool
}

func newPort(ctx context.Context, l *line) *port {
	return &port{ctx: ctx, line: l, conns: make(map[net.Conn]struct{})}
}

func (p *port) served() *config.Gateway { return p.line.gateway }

// step has nothing to do: a port acts when it is asked.
func (p *port) step() {}

func (p *port) wait() { p.tasks.Wait() }

// open listens, unless the port is open already or the server is at its end.
func (p *port) open() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != nil || p.ctx.Err() != nil {
		return nil
	}
	address := p.line.gateway.Address
	ctx, off := context.WithCancel(p.ctx)
	if p.line.gateway.Scheme == "udp" {
		conn, err := net.ListenPacket("udp", address)
		if err != nil {
			off()
			return err
		}
		p.listener, p.off = conn, off
		p.tasks.Go(func() { p.hear(ctx, conn) })
		return nil
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		off()
		return err
	}
	p.listener, p.off, p.complained = listener, off, false
	p.tasks.Go(func() { p.accept(ctx, listener) })
	return nil
}

// complain says once that the port cannot be opened again.
func (p *port) complain(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.complained {
		p.line.server.log.Error("the gateway cannot be switched on again",
			zap.String("gateway", string(p.line.gateway.ID)), zap.Error(err))
	}
	p.complained = true
}

// close closes the listener, breaks every connection and drops every request
// that waits for its answer.
func (p *port) close() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != nil {
		p.off()
		p.listener.Close()
		p.listener = nil
	}
	for conn := range p.conns {
		conn.Close()
	}
}

// acceptPause is how long a port waits when no connection can be taken, for
// want of descriptors for example.
const acceptPause = 100 * time.Millisecond

func (p *port) accept(ctx context.Context, listener net.Listener) {
	for {
		conn, err := listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !rest(ctx, acceptPause) {
				return
			}
			continue
		}
		if !p.admit(listener, conn) {
			breakOff(conn)
			continue
		}
		p.tasks.Go(func() { p.converse(ctx, conn) })
	}
}

// admit takes a connection, unless the gateway is off by now or takes only one.
func (p *port) admit(listener net.Listener, conn net.Conn) bool {
	p.line.server.mu.Lock()
	limited := p.line.on(LimitsConnections) != nil
	p.line.server.mu.Unlock()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.listener != listener || limited && len(p.conns) > 0 {
		return false
	}
	p.conns[conn] = struct{}{}
	return true
}

func (p *port) drop(conn net.Conn) {
	conn.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.conns, conn)
}

// breakOff closes a connection with a reset rather than in good order.
func breakOff(conn net.Conn) {
	if tcp, ok := conn.(*net.TCPConn); ok {
		tcp.SetLinger(0)
	}
	conn.Close()
}
