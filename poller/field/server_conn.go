package field

import (
	"context"
	"errors"
	"net"
	"os"
	"time"
)

const (
	// frameIdle ends a serial frame whose length nobody can tell.
	frameIdle = 20 * time.Millisecond
	// writeLimit bounds how long a peer that does not read is waited for.
	writeLimit = 5 * time.Second
)

// converse serves one connection to its end: one request after another.
func (p *port) converse(ctx context.Context, conn net.Conn) {
	defer p.drop(conn)
	how := framings[p.line.gateway.Scheme]
	var come []byte
	chunk, idle := make([]byte, 512), false
	for {
		r, used, v := how.next(come, idle)
		switch v {
		case whole:
			if !p.reply(ctx, conn, r) {
				return
			}
			come = come[used:]
			continue
		case nothing:
			if !how.serial() {
				return // where the next frame begins cannot be told
			}
			come = nil
		}
		n, err := p.read(conn, chunk, how.serial() && len(come) > 0)
		if idle = errors.Is(err, os.ErrDeadlineExceeded); err != nil && !idle {
			return
		}
		come = append(come, chunk[:n]...)
	}
}

// read waits for bytes; in the middle of a serial frame it waits only so long.
func (p *port) read(conn net.Conn, chunk []byte, within bool) (int, error) {
	deadline := time.Time{}
	if within {
		deadline = time.Now().Add(frameIdle)
	}
	conn.SetReadDeadline(deadline)
	return conn.Read(chunk)
}

// reply answers one request and reports whether the connection still stands.
func (p *port) reply(ctx context.Context, conn net.Conn, r request) bool {
	pdu := p.line.ask(ctx, r)
	if pdu == nil {
		return ctx.Err() == nil
	}
	d := p.line.deliver(r, pdu)
	if !rest(ctx, d.after) {
		return false
	}
	conn.SetWriteDeadline(time.Now().Add(writeLimit))
	if d.cut {
		conn.Write(d.frame[:len(d.frame)/2])
		breakOff(conn)
		return false
	}
	_, err := conn.Write(d.frame)
	return err == nil
}

// mostAtOnce bounds the datagrams that are waiting for their answer; more are
// lost, as a full gateway loses them.
const mostAtOnce = 64

// hear serves datagrams: each is one frame and gets its answer when the line
// has one.
func (p *port) hear(ctx context.Context, conn net.PacketConn) {
	waiting := make(chan struct{}, mostAtOnce)
	datagram := make([]byte, 512)
	for {
		n, from, err := conn.ReadFrom(datagram)
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			if !rest(ctx, acceptPause) {
				return
			}
			continue
		}
		r, used, v := mbap{}.next(append([]byte(nil), datagram[:n]...), true)
		if v != whole || used != n {
			continue
		}
		select {
		case waiting <- struct{}{}:
			p.tasks.Go(func() {
				p.send(ctx, conn, from, r)
				<-waiting
			})
		default:
		}
	}
}

func (p *port) send(ctx context.Context, conn net.PacketConn, to net.Addr, r request) {
	pdu := p.line.ask(ctx, r)
	if pdu == nil {
		return
	}
	d := p.line.deliver(r, pdu)
	if !rest(ctx, d.after) {
		return
	}
	if d.cut {
		d.frame = d.frame[:len(d.frame)/2]
	}
	conn.WriteTo(d.frame, to)
}
