package web

import (
	"net"
	"sync"
)

// mostConnections is how many connections are open at once. Each takes a
// descriptor, of which polling and the store need theirs; pages hold a few each,
// and scrapers one. (An engineering choice.)
const mostConnections = 1000

// bounded is a listener that takes no more than so many connections at a time:
// others wait until one ends, which those that say nothing do after the time that
// [NewServer] gives them.
type bounded struct {
	net.Listener
	places chan struct{}
	once   sync.Once
	closed chan struct{}
}

func bound(l net.Listener, most int) *bounded {
	return &bounded{Listener: l, places: make(chan struct{}, most), closed: make(chan struct{})}
}

// Accept waits for a place and then for a connection.
func (b *bounded) Accept() (net.Conn, error) {
	select {
	case b.places <- struct{}{}:
	case <-b.closed:
		return nil, net.ErrClosed
	}
	conn, err := b.Listener.Accept()
	if err != nil {
		<-b.places
		return nil, err
	}
	return &placed{Conn: conn, leave: sync.OnceFunc(func() { <-b.places })}, nil
}

// Close ends also who waits for a place.
func (b *bounded) Close() error {
	b.once.Do(func() { close(b.closed) })
	return b.Listener.Close()
}

// placed is a connection that has a place.
type placed struct {
	net.Conn
	leave func()
}

// Close gives the place back.
func (p *placed) Close() error {
	defer p.leave()
	return p.Conn.Close()
}
