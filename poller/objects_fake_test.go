package poller_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"net"
	"net/netip"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// site is a network of BACnet devices in memory, spoken to by the real client.
type site struct {
	mu      sync.Mutex
	devices map[uint32]*box
	lost    func(n int) bool // whether the n-th datagram is lost
	count   int
	open    int           // conversations
	refused error         // of opening one
	trunk   time.Duration // what one answer keeps a line busy that all share; 0: none
	free    time.Time     // when that line is free
	in      *ear
}

// box is one device. Its I-Am and its answers come from its own address.
type box struct {
	at      netip.AddrPort
	network bacnet.Network // behind a router
	iam     bacnet.IAm
	values  map[bacnet.Reference]bacnet.Value
	errors  map[bacnet.Reference]bacnet.RemoteError
	silent  bool
	noRPM   bool // refuses multiple reads
	noCOV   bool
	heard   int           // datagrams that were sent to it
	took    time.Duration // to answer
	asked   map[uint8]int // requests by service
	read    map[bacnet.Reference]int
	watched []bacnet.SubscribeCOV
}

// ear is the socket of a conversation.
type ear struct {
	net.PacketConn
	site   *site
	in     chan heardFrom
	closed chan struct{}
	once   sync.Once
}

type heardFrom struct {
	from netip.AddrPort
	data []byte
}

func newSite() *site {
	return &site{devices: make(map[uint32]*box), lost: func(int) bool { return false }}
}

// add puts a device of a fan into the site, whose pressure is -30 - n Pa at
// analog-input,1 and whose speed is 50 % at analog-output,1.
func (s *site) add(instance uint32) *box {
	b := &box{at: netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 0, byte(instance >> 8), byte(instance)}), 47808),
		iam:    bacnet.IAm{Instance: instance, MaxAPDU: 1476, Segmentation: bacnet.NoSegmentation, Vendor: 999},
		values: make(map[bacnet.Reference]bacnet.Value), asked: make(map[uint8]int), read: make(map[bacnet.Reference]int), took: time.Millisecond}
	b.object(bacnet.AnalogInput, 1, bacnet.RealValue(-30-float32(instance%8)), 53)
	b.object(bacnet.AnalogOutput, 1, bacnet.RealValue(50), 98)
	b.object(bacnet.BinaryInput, 1, bacnet.EnumeratedValue(1), 0)
	b.object(bacnet.MultiStateValue, 1, bacnet.UnsignedValue(2), 0)
	b.object(bacnet.AnalogValue, 1, bacnet.RealValue(20), 98)
	s.devices[instance] = b
	return b
}

func ref(kind bacnet.ObjectType, n uint32, p bacnet.PropertyID) bacnet.Reference {
	return bacnet.Reference{Object: bacnet.ObjectID{Type: kind, Instance: n}, Property: p}
}

func (b *box) object(kind bacnet.ObjectType, n uint32, value bacnet.Value, unit uint32) {
	b.values[ref(kind, n, bacnet.PresentValue)] = value
	b.values[ref(kind, n, bacnet.StatusFlagsOf)] = bacnet.FlagsValue(bacnet.StatusFlags{})
	b.values[ref(kind, n, bacnet.ReliabilityOf)] = bacnet.EnumeratedValue(0)
	if unit > 0 {
		b.values[ref(kind, n, bacnet.UnitsOf)] = bacnet.EnumeratedValue(unit)
	}
}

// set changes a device while it is polled.
func (s *site) set(change func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	change()
}

// dial opens a conversation with the site.
func (s *site) dial(_ context.Context, g *config.Gateway) (poller.Objects, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refused != nil {
		return nil, &reading.Failure{Outcome: reading.Refused, Err: s.refused}
	}
	if s.open > 0 {
		return nil, errors.New("two conversations through one gateway")
	}
	s.open++
	s.in = &ear{site: s, in: make(chan heardFrom, 10000), closed: make(chan struct{})}
	return bacnet.New(s.in, bacnet.Options{APDUTimeout: g.Timeout, Broadcast: netip.MustParseAddrPort("10.0.0.255:47808")}), nil
}

func (e *ear) ReadFrom(b []byte) (int, net.Addr, error) {
	select {
	case h := <-e.in:
		return copy(b, h.data), net.UDPAddrFromAddrPort(h.from), nil
	case <-e.closed:
		return 0, nil, net.ErrClosed
	}
}

func (e *ear) Close() error {
	e.once.Do(func() {
		close(e.closed)
		e.site.mu.Lock()
		defer e.site.mu.Unlock()
		e.site.open--
	})
	return nil
}

func (e *ear) WriteTo(data []byte, to net.Addr) (int, error) {
	s := e.site
	s.mu.Lock()
	defer s.mu.Unlock()
	m, err := bacnet.ParseBVLC(bytes.Clone(data))
	if err != nil {
		return 0, err
	}
	npdu, _ := bacnet.ParseNPDU(m.Data)
	a, err := bacnet.ParseAPDU(npdu.Data)
	if err != nil {
		return 0, err
	}
	for _, b := range s.devices {
		if (to.(*net.UDPAddr).AddrPort() != b.at || npdu.Destination != b.network) && m.Function != bacnet.OriginalBroadcastNPDU {
			continue
		}
		if b.heard++; b.silent {
			continue
		}
		if s.count++; s.lost(s.count) {
			continue
		}
		if answer, any := b.answer(a); any {
			s.send(b, answer)
		}
	}
	return len(data), nil
}

// send has a device say something, after its time.
func (s *site) send(b *box, a bacnet.APDU) {
	if s.count++; s.lost(s.count) {
		return
	}
	data := bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Source: b.network, Data: a.Append(nil)}.Append(nil)}.Append(nil)
	e, took := s.in, b.took
	if s.trunk > 0 {
		if now := time.Now(); s.free.Before(now) {
			s.free = now
		}
		s.free = s.free.Add(s.trunk)
		took = time.Until(s.free)
	}
	time.AfterFunc(took, func() {
		select {
		case e.in <- heardFrom{b.at, data}:
		case <-e.closed:
		}
	})
}

// answer is what a device says to an APDU.
func (b *box) answer(a bacnet.APDU) (answer bacnet.APDU, any bool) {
	if a.Type == bacnet.UnconfirmedRequest && a.Service == bacnet.ServiceWhoIs {
		w, err := bacnet.ParseWhoIs(a.Data)
		answer = bacnet.APDU{Type: bacnet.UnconfirmedRequest, Service: bacnet.ServiceIAm, Data: b.iam.Append(nil)}
		return answer, err == nil && (!w.Limited || w.Low <= b.iam.Instance && b.iam.Instance <= w.High)
	}
	if a.Type != bacnet.ConfirmedRequest {
		return answer, false
	}
	b.asked[a.Service]++
	answer = bacnet.APDU{Type: bacnet.ComplexAck, InvokeID: a.InvokeID, Service: a.Service}
	reject := bacnet.APDU{Type: bacnet.RejectPDU, InvokeID: a.InvokeID, Service: bacnet.UnrecognizedService}
	switch a.Service {
	case bacnet.ServiceReadProperty:
		p, _ := bacnet.ParseReadProperty(a.Data)
		r := b.result(p)
		if e, bad := r.Err.(*bacnet.RemoteError); bad {
			return bacnet.APDU{Type: bacnet.ErrorPDU, InvokeID: a.InvokeID, Service: a.Service, Data: bacnet.AppendError(nil, *e)}, true
		}
		answer.Data = bacnet.AppendReadPropertyAck(nil, r)
	case bacnet.ServiceReadPropertyMultiple:
		if b.noRPM {
			return reject, true
		}
		all, _ := bacnet.ParseReadPropertyMultiple(a.Data)
		var results []bacnet.Result
		for _, p := range all {
			results = append(results, b.result(p))
		}
		answer.Data = bacnet.AppendReadPropertyMultipleAck(nil, results)
	case bacnet.ServiceSubscribeCOV:
		if b.noCOV {
			return reject, true
		}
		w, _ := bacnet.ParseSubscribeCOV(a.Data)
		b.watched = append(b.watched, w)
		answer.Type = bacnet.SimpleAck
	default:
		return reject, true
	}
	return answer, true
}

func (b *box) result(p bacnet.Reference) bacnet.Result {
	b.read[p]++
	if e, bad := b.errors[p]; bad {
		return bacnet.Result{Reference: p, Err: &e}
	}
	v, known := b.values[p]
	if !known {
		return bacnet.Result{Reference: p, Err: &bacnet.RemoteError{Class: 2, Code: 32}} // property, unknown-property
	}
	return bacnet.Result{Reference: p, Values: []bacnet.Value{v}}
}

// changes has a device tell of an object to whom has subscribed.
func (s *site) changes(b *box, kind bacnet.ObjectType, n uint32) {
	for _, w := range b.watched {
		if w.Object != (bacnet.ObjectID{Type: kind, Instance: n}) {
			continue
		}
		told := bacnet.COVNotification{Process: w.Process, Device: bacnet.ObjectID{Type: bacnet.DeviceObject, Instance: b.iam.Instance},
			Object: w.Object, Remaining: w.Lifetime}
		for _, p := range []bacnet.PropertyID{bacnet.PresentValue, bacnet.StatusFlagsOf} {
			told.Values = append(told.Values, bacnet.Result{Reference: ref(kind, n, p), Values: []bacnet.Value{b.values[ref(kind, n, p)]}})
		}
		s.send(b, bacnet.APDU{Type: bacnet.ConfirmedRequest, InvokeID: 1, Service: bacnet.ServiceConfirmedCOV, Data: told.Append(nil)})
	}
}

// objectPoint is a point of a BACnet device: a number in a unit, or a contact.
func objectPoint(p reading.Point, device uint32, kind bacnet.ObjectType, n uint32, unit string) config.PlacedPoint {
	e := decode.Encoding{Type: decode.Float32, Bit: decode.NoBit, Scale: 1}
	if p.Contact() {
		e.Type = decode.Bool
	}
	e.Unit, _ = units.Find(unit)
	return config.PlacedPoint{Point: p, Unit: int(device), Encoding: e, Object: ref(kind, n, bacnet.PresentValue)}
}

// campus is a site of so many devices, from 1 on, with a fan in each.
func campus(devices int) (*site, *config.Fleet) {
	s := newSite()
	g := &config.Gateway{ID: "alder-bus", Scheme: config.BACnet, Address: "10.0.0.255:47808", Timeout: 800 * time.Millisecond,
		PollEvery: 5 * time.Second, StaleAfter: 20 * time.Second}
	var fans []*config.Fan
	for n := uint32(1); int(n) <= devices; n++ {
		s.add(n)
		running := objectPoint(reading.Running, n, bacnet.MultiStateValue, 1, "")
		running.States = []uint32{2, 3}
		fans = append(fans, &config.Fan{ID: reading.FanID(fmt.Sprintf("ef%d", n)), Gateway: g, Unit: int(n),
			PointMap: &config.PointMap{}, ProbeFactor: 1, AirDensity: 1.2, Points: []config.PlacedPoint{
				objectPoint(reading.Pressure, n, bacnet.AnalogInput, 1, "Pa"), objectPoint(reading.Speed, n, bacnet.AnalogOutput, 1, "%"),
				objectPoint(reading.HighSpeed, n, bacnet.BinaryInput, 1, ""), running,
				objectPoint(reading.MinSpeed, n, bacnet.AnalogValue, 1, "%")}})
	}
	return s, fleetOf(fans...)
}

// during polls a fleet through a site in synthetic time, while the test does what it
// will, and returns the cycles and the log. A goroutine that outlives the poller
// fails it.
func (s *site) during(t *testing.T, fleet *config.Fleet, test func(p *poller.Poller)) (cycles []poller.Cycle, logged *observer.ObservedLogs) {
	t.Helper()
	core, logged := observer.New(zapcore.InfoLevel)
	synctest.Test(t, func(t *testing.T) {
		var lock sync.Mutex
		p := poller.New(nil, func(c *poller.Cycle) {
			lock.Lock()
			defer lock.Unlock()
			kept := *c
			kept.Readings = append([]reading.Reading{}, c.Readings...)
			agree(t, fleet, c)
			cycles = append(cycles, kept)
		}, zap.New(core)).Through(s.dial)
		p.Start(fleet)
		test(p)
		p.Stop()
		if s.open != 0 {
			t.Errorf("%d conversations are still open", s.open)
		}
	})
	return cycles, logged
}

// awhile polls for some time.
func (s *site) awhile(t *testing.T, fleet *config.Fleet, span time.Duration) ([]poller.Cycle, *observer.ObservedLogs) {
	t.Helper()
	return s.during(t, fleet, func(*poller.Poller) { time.Sleep(span) })
}

// of returns the readings of one fan, by its place in the fleet.
func of(cycles []poller.Cycle, i int) (all []reading.Reading) {
	for _, c := range cycles {
		all = append(all, c.Readings[i])
	}
	return all
}
