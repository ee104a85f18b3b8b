package poller_test

import (
	"context"
	"fmt"
	"net"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// router serves the devices of a site behind one socket, each on a network of its
// own, and loses what the site loses.
func (s *site) router(conn net.PacketConn) {
	var buffer [1600]byte
	for {
		n, from, err := conn.ReadFrom(buffer[:])
		if err != nil {
			return
		}
		m, err := bacnet.ParseBVLC(append([]byte{}, buffer[:n]...))
		if err != nil {
			continue
		}
		npdu, _ := bacnet.ParseNPDU(m.Data)
		a, err := bacnet.ParseAPDU(npdu.Data)
		if err != nil {
			continue
		}
		s.mu.Lock()
		for instance, b := range s.devices {
			at := bacnet.Network{Number: uint16(2000 + instance), MAC: "\x05"}
			if npdu.Destination != at && npdu.Destination != bacnet.EveryNetwork || b.silent {
				continue
			}
			if s.count++; s.lost(s.count) {
				continue
			}
			answer, any := b.answer(a)
			if s.count++; !any || s.lost(s.count) {
				continue
			}
			back := bacnet.NPDU{Source: at, Data: answer.Append(nil)}
			conn.WriteTo(bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: back.Append(nil)}.Append(nil), from)
		}
		s.mu.Unlock()
	}
}

// Over real sockets, with devices behind a router, of which one is silent, one
// refuses multiple reads, and every fifth datagram is lost.
func TestObjectsOverUDP(t *testing.T) {
	defer goleak.VerifyNone(t)
	s, fleet := campus(5)
	s.devices[2].silent = true
	s.devices[3].noRPM = true
	s.lost = func(n int) bool { return n%5 == 0 }
	conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var serving sync.WaitGroup
	serving.Go(func() { s.router(conn) })
	defer serving.Wait()
	defer conn.Close()
	g := fleet.Gateways[0]
	g.Address, g.Timeout, g.PollEvery, g.StaleAfter = conn.LocalAddr().String(), 20*time.Millisecond, 400*time.Millisecond, 2*time.Second

	const wanted = 10
	var lock sync.Mutex
	good, cycles, done := make(map[reading.FanID]int), 0, make(chan struct{})
	p := poller.New(nil, func(c *poller.Cycle) {
		lock.Lock()
		defer lock.Unlock()
		if cycles++; cycles == wanted {
			close(done)
		}
		for i := range c.Readings {
			if r := &c.Readings[i]; fleet.Fans[i].Usable(r) {
				good[r.Fan]++
				if v, _ := r.Get(reading.Pressure); v != -31-float64(i) {
					t.Errorf("fan %s reads the pressure %v of another", r.Fan, v)
				}
			}
		}
	}, zap.NewNop()).Through(func(ctx context.Context, g *config.Gateway) (poller.Objects, error) {
		client, err := bacnet.Open(ctx, bacnet.Way{Address: g.Address}, bacnet.Options{APDUTimeout: g.Timeout})
		if err != nil {
			return nil, bacnet.Failure(err)
		}
		return client, nil
	})
	p.Start(fleet)
	select {
	case <-done:
	case <-time.After(20 * time.Second):
		t.Error("ten cycles of 400 ms took more than 20 s")
	}
	p.Stop()
	for i, want := range []int{wanted - 3, 0, wanted / 2, wanted - 3, wanted - 3} {
		id := reading.FanID(fmt.Sprintf("ef%d", i+1))
		if good[id] < want || want == 0 && good[id] > 0 {
			t.Errorf("fan %s had %d good readings in %d cycles", id, good[id], wanted)
		}
	}
}
