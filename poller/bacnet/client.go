package bacnet

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"sync"
	"sync/atomic"
	"time"
)

// Options says how to talk. Zero values become the defaults.
type Options struct {
	// APDUTimeout is how long one try waits for an answer, Retries how often
	// a request is repeated (Clause 5.4 and the device object's APDU_Timeout
	// and Number_Of_APDU_Retries; the defaults of 3 s and 3 are from memory).
	// Retries below 0 mean none.
	APDUTimeout time.Duration
	Retries     int
	// SegmentTimeout is how long the next segment may take; 2 s.
	SegmentTimeout time.Duration
	InFlight       int // requests of the whole gateway at a time; 16, and four times as many whose answer is late
	PerDevice      int // requests of one device at a time; 1
	// Broadcast is where a Who-Is goes: the broadcast address of the local
	// network, or one gateway. With BBMD it goes there instead, as to a
	// registered foreign device (Annex J.5), which TTL keeps alive; 60 s.
	Broadcast netip.AddrPort
	BBMD      netip.AddrPort
	TTL       time.Duration
	// Direct: Broadcast is the address of one device or router. A device there
	// whose I-Am is not heard, as it goes out to another port, is asked who it is.
	Direct bool
	// Twice is told, once for each pair, of two devices that give themselves one
	// instance; the first one is kept. It must not block. It may be nil.
	Twice func(instance uint32, kept, other Station)
}

func (o *Options) defaults() {
	whole := func(n *int, d int) {
		if *n == 0 {
			*n = d
		}
	}
	span := func(n *time.Duration, d time.Duration) {
		if *n == 0 {
			*n = d
		}
	}
	span(&o.APDUTimeout, 3*time.Second)
	span(&o.SegmentTimeout, 2*time.Second)
	span(&o.TTL, time.Minute)
	whole(&o.Retries, 3)
	whole(&o.InFlight, 16)
	whole(&o.PerDevice, 1)
	o.PerDevice = min(o.PerDevice, 128) // half of the invoke ids
}

// Station is where a device stands: the address that its datagrams come from,
// and its network address behind that, if it is a router's.
type Station struct {
	Via     netip.AddrPort
	Network Network
}

// Client speaks with many devices over one socket. Its methods may be used by
// many goroutines; a device that is silent delays only those who ask it.
type Client struct {
	conn    net.PacketConn
	options Options
	flight  chan struct{}
	silent  chan struct{} // what part of that is for those that did not answer last time
	ctx     context.Context
	stop    context.CancelFunc
	running sync.WaitGroup

	overdue chan struct{} // of requests in flight those whose answer is late
	looking chan struct{} // lookups of devices at a time

	mu       sync.Mutex
	looked   looked
	expected map[uint32]*lookup
	unfound  map[uint32]bool // that were looked for in vain
	twice    map[twice]bool
	waiting  map[exchange]chan APDU
	lines    map[Station]*line
	trunks   map[Station]*trunk
	devices  map[uint32]*Device
	listens  map[chan Device]struct{}
	results  chan uint16   // of a registration in flight
	unknown  chan struct{} // the BBMD does not know us any more
	watches  map[uint32]*watch
	nextProc uint32
}

// exchange is one request in flight.
type exchange struct {
	station Station
	invoke  uint8
}

// line is what is kept for each station: its places and its invoke ids.
type line struct {
	places chan struct{}
	next   uint8
	silent atomic.Bool // its last request timed out
}

// New talks over a socket, which Close closes.
func New(conn net.PacketConn, options Options) *Client {
	options.defaults()
	c := &Client{conn: conn, options: options, flight: make(chan struct{}, options.InFlight),
		silent:  make(chan struct{}, max(1, options.InFlight/4)),
		looking: make(chan struct{}, options.InFlight), overdue: make(chan struct{}, overdueShare*options.InFlight),
		twice: make(map[twice]bool), expected: make(map[uint32]*lookup), unfound: make(map[uint32]bool),
		waiting: make(map[exchange]chan APDU), lines: make(map[Station]*line), trunks: make(map[Station]*trunk), devices: make(map[uint32]*Device),
		listens: make(map[chan Device]struct{}), results: make(chan uint16, 1), unknown: make(chan struct{}, 1), watches: make(map[uint32]*watch)}
	c.ctx, c.stop = context.WithCancel(context.Background())
	c.running.Go(c.listen)
	return c
}

// Close ends every request with [ErrClosed] and waits until nothing runs. Devices are
// told that they need not tell of changes any more.
func (c *Client) Close() error {
	c.stop()
	c.farewell()
	err := c.conn.Close()
	c.running.Wait()
	return err
}

// line returns what is kept for a station.
func (c *Client) line(s Station) *line {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := c.lines[s]
	if l == nil {
		// An answer to an earlier client on the same port is to fit nothing.
		l = &line{places: make(chan struct{}, c.options.PerDevice), next: uint8(rand.N(256))}
		c.lines[s] = l
	}
	return l
}

// begin reserves an invoke id of the station; end gives it back.
func (c *Client) begin(s Station, l *line) (exchange, chan APDU) {
	c.mu.Lock()
	defer c.mu.Unlock()
	e := exchange{s, l.next}
	for c.waiting[e] != nil {
		e.invoke++
	}
	l.next = e.invoke + 1
	answers := make(chan APDU, 2*proposedWindow)
	c.waiting[e] = answers
	return e, answers
}

func (c *Client) end(e exchange) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.waiting, e)
}

// String returns the address, and the one behind a router as "10.0.0.3:47808,
// network 2001 address 07".
func (s Station) String() string {
	if s.Network.Number == 0 {
		return s.Via.String()
	}
	return fmt.Sprintf("%s, network %d address %X", s.Via, s.Network.Number, s.Network.MAC)
}
