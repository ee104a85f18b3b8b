package main

import (
	"errors"
	"fmt"
	"net"
	"sync"
	"sync/atomic"
	"time"
)

// way is what a pipe does to what comes through it.
type way int32

const (
	through way = iota
	twice       // one answer in five is sent twice
	drips       // every answer comes a byte at a time
	mute        // connections are taken and nothing is ever said
)

// pipe stands between the daemon and a gateway of the field.
type pipe struct {
	listener net.Listener
	to       string
	how      atomic.Int32

	mu    sync.Mutex
	conns map[net.Conn]bool
	tasks sync.WaitGroup
}

func openPipe(o options, i int) (*pipe, error) {
	l, err := net.Listen("tcp", fmt.Sprintf("%s:%d", o.host, o.port+piped+i))
	if err != nil {
		return nil, fmt.Errorf("%w; give other ones with --port or --host", err)
	}
	return newPipe(l, fmt.Sprintf("%s:%d", o.host, o.port+i)), nil
}

func newPipe(l net.Listener, to string) *pipe {
	p := &pipe{listener: l, to: to, conns: make(map[net.Conn]bool)}
	p.tasks.Go(p.accept)
	return p
}

// set changes what the pipe does. Connections that stand are broken, so that no
// answer comes half in one way and half in another.
func (p *pipe) set(w way) {
	if way(p.how.Swap(int32(w))) != w {
		p.cut()
	}
}

func (p *pipe) cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	for c := range p.conns {
		c.Close()
	}
}

func (p *pipe) close() {
	p.listener.Close()
	p.cut()
	p.tasks.Wait()
}

func (p *pipe) accept() {
	for {
		conn, err := p.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(10 * time.Millisecond)
			continue
		}
		p.tasks.Go(func() { p.serve(conn) })
	}
}

// hold keeps a connection among those that are cut, until drop.
func (p *pipe) hold(c net.Conn) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.conns[c] = true
}

func (p *pipe) drop(c net.Conn) {
	c.Close()
	p.mu.Lock()
	defer p.mu.Unlock()
	delete(p.conns, c)
}

func (p *pipe) serve(near net.Conn) {
	p.hold(near)
	defer p.drop(near)
	how := way(p.how.Load())
	if how == mute {
		swallow(near)
		return
	}
	far, err := net.DialTimeout("tcp", p.to, time.Second)
	if err != nil { // the gateway is off: what it refuses, the pipe breaks
		near.(*net.TCPConn).SetLinger(0)
		return
	}
	p.hold(far)
	defer p.drop(far)
	p.tasks.Go(func() {
		carry(far, near, through)
		far.Close()
	})
	carry(near, far, how)
}

func swallow(c net.Conn) {
	var b [512]byte
	for {
		if _, err := c.Read(b[:]); err != nil {
			return
		}
	}
}

// doubled is every how many answers one is sent twice: never the first of a
// connection, after which those without numbers begin anew.
const doubled = 5

// carry copies until an end is gone. A reset of the far end becomes one of the
// near end.
func carry(to, from net.Conn, how way) {
	var b [4096]byte
	for i := 0; ; i++ {
		n, err := from.Read(b[:])
		one := how
		if how == twice && i%doubled != doubled-1 {
			one = through
		}
		if n > 0 && pass(to, b[:n], one) != nil {
			return
		}
		if err != nil {
			if tcp, ok := to.(*net.TCPConn); ok {
				tcp.SetLinger(0)
			}
			return
		}
	}
}

func pass(to net.Conn, b []byte, how way) error {
	switch how {
	case twice:
		if _, err := to.Write(b); err != nil {
			return err
		}
	case drips:
		for ; len(b) > 1; b = b[1:] {
			if _, err := to.Write(b[:1]); err != nil {
				return err
			}
			time.Sleep(2 * time.Millisecond)
		}
	}
	_, err := to.Write(b)
	return err
}
