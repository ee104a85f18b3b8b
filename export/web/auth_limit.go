package web

import (
	"net/netip"
	"sync"
	"time"
)

// Figures of the limit. (Engineering choices: neither a person who mistypes nor a
// page that asks for much at once is held up; a program that guesses gets six
// tries a minute.)
const (
	wrongAtOnce = 20
	wrongEvery  = 10 * time.Second
	mostSources = 4096
)

// limit holds up an address from which too many logins were wrong. Logins that
// are remembered as good pass it, so that nobody is locked out by a neighbour.
type limit struct {
	now func() time.Time

	mu sync.Mutex
	// free is when an address has no wrong login left to its account; each puts
	// it off by wrongEvery.
	free map[netip.Prefix]time.Time
}

func newLimit(now func() time.Time) *limit {
	return &limit{now: now, free: make(map[netip.Prefix]time.Time)}
}

// enter counts an attempt as wrong until forgive takes it back, so that many at
// once count too. It returns how long to wait where there were too many.
func (l *limit) enter(address string) (wait time.Duration) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now, from := l.now(), sourceOf(address)
	free := l.free[from]
	if free.Before(now) {
		free = now
	}
	if over := free.Add(wrongEvery).Sub(now) - wrongAtOnce*wrongEvery; over > 0 {
		return over
	}
	l.makeRoom(now)
	l.free[from] = free.Add(wrongEvery)
	return 0
}

// forgive takes the last attempt of an address back: it was right.
func (l *limit) forgive(address string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	from := sourceOf(address)
	if free, is := l.free[from]; is {
		l.free[from] = free.Add(-wrongEvery)
	}
}

// makeRoom keeps the number of addresses bounded.
func (l *limit) makeRoom(now time.Time) {
	if len(l.free) < mostSources {
		return
	}
	for from, free := range l.free {
		if !free.After(now) {
			delete(l.free, from)
		}
	}
	if len(l.free) >= mostSources {
		clear(l.free)
	}
}

// sourceOf is what counts as one address: an IPv4 address, or the 64 bits of an
// IPv6 address that a network has to itself (RFC 4291, section 2.5.1: interface
// identifiers are 64 bits long). What is neither counts as one.
func sourceOf(address string) netip.Prefix {
	at, err := netip.ParseAddrPort(address)
	if err != nil {
		return netip.Prefix{}
	}
	ip, bits := at.Addr().Unmap().WithZone(""), 32
	if ip.Is6() {
		bits = 64
	}
	from, _ := ip.Prefix(bits)
	return from
}
