package network

import (
	"errors"
	"net/netip"
	"slices"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
)

func at(o bacnet.ObjectID, p bacnet.PropertyID) bacnet.Reference {
	return bacnet.Reference{Object: o, Property: p}
}

var first = at(bacnet.ObjectID{}, bacnet.PresentValue)

func TestDevicesAreFoundWhereverTheyStand(t *testing.T) {
	stands := map[uint32]bacnet.Station{5: {Via: router}, 6: {Via: beside}, 1203: {Via: router, Network: bacnet.Network{Number: 12, MAC: "\x03"}}}
	for name, o := range map[string]bacnet.Options{"by broadcast": {}, "as a foreign device": {BBMD: router}} {
		with(t, o, func(t *testing.T, s *site, c *bacnet.Client) {
			if o.BBMD.IsValid() {
				if err := c.Register(t.Context()); err != nil {
					t.Fatal(name, err)
				}
			}
			found, err := c.Discover(t.Context(), bacnet.WhoIs{}, time.Second)
			if err != nil || len(found) != len(stands) {
				t.Fatal(name, found, err)
			}
			for _, d := range found {
				if d.Station != stands[d.Instance] || d.MaxAPDU != 480 || d.Segmentation != bacnet.SegmentedTransmit {
					t.Errorf("%s: device %d stands at %+v and says %+v", name, d.Instance, d.Station, d.IAm)
				}
				values, err := c.Read(t.Context(), d.Instance, first)
				if err != nil || len(values) != 1 {
					t.Fatal(name, d.Instance, err)
				}
				if n, _ := values[0].Number(); n != float64(d.Instance) {
					t.Errorf("%s: device %d says %v", name, d.Instance, n)
				}
			}
			some, err := c.Discover(t.Context(), bacnet.WhoIs{Limited: true, Low: 6, High: 1202}, time.Second)
			if err != nil || len(some) != 1 || some[0].Instance != 6 {
				t.Errorf("%s: from 6 to 1202 there are %v, %v", name, some, err)
			}
		})
	}
}

func TestASilentDeviceIsNotFoundAndAMovedOneIs(t *testing.T) {
	with(t, bacnet.Options{Retries: -1}, func(t *testing.T, s *site, c *bacnet.Client) {
		if _, err := c.Read(t.Context(), 1203, first); err != nil {
			t.Fatal(err)
		}
		s.mu.Lock()
		s.network.Stations[0].Silent = true
		s.network.Stations[2].Behind.MAC = "\x67"
		s.mu.Unlock()
		for device, known := range map[uint32]bool{1203: true, 5: false} {
			if _, err := c.Read(t.Context(), device, first); !errors.Is(err, bacnet.ErrTimeout) {
				t.Errorf("device %d: %v", device, err)
			}
			c.Forget(device)
			if _, err := c.Read(t.Context(), device, first); (err == nil) != known {
				t.Errorf("device %d, once it is looked for again: %v", device, err)
			}
		}
	})
}

// The BBMD hands on broadcasts of registered foreign devices only, and for no
// longer than they asked for and 30 s (Annex J.5.2).
func TestOnlyRegisteredForeignDevicesAreServed(t *testing.T) {
	s, begun := newSite(), time.Unix(0, 0)
	receive := func(after time.Duration, from netip.AddrPort, m bacnet.BVLC) (answers []bacnet.BVLC) {
		s.sent = nil
		s.network.Tick(begun.Add(after))
		s.network.Receive(begun.Add(after), 0, from, m.Append(nil))
		for _, datagram := range s.sent {
			answer, err := bacnet.ParseBVLC(datagram)
			if err != nil {
				t.Fatal(err)
			}
			answers = append(answers, answer)
		}
		return answers
	}
	ask := bacnet.BVLC{Function: bacnet.DistributeBroadcast, Data: bacnet.NPDU{Destination: bacnet.EveryNetwork, HopCount: 255,
		Data: bacnet.APDU{Type: bacnet.UnconfirmedRequest, Service: bacnet.ServiceWhoIs}.Append(nil)}.Append(nil)}
	refused := func(answers []bacnet.BVLC, code uint8) bool {
		return len(answers) == 1 && answers[0].Function == bacnet.BVLCResult && slices.Equal(answers[0].Data, []byte{0, code})
	}
	register := bacnet.BVLC{Function: bacnet.RegisterForeignDevice, Data: []byte{0, 60}}
	other := netip.MustParseAddrPort("10.0.0.8:50000")
	if got := receive(0, client, ask); !refused(got, 0x60) {
		t.Errorf("a stranger is answered %v", got)
	}
	for _, who := range []netip.AddrPort{client, other} {
		if got := receive(0, who, register); !refused(got, 0) {
			t.Errorf("the registration of %s is answered %v", who, got)
		}
	}
	if got := receive(time.Minute, client, ask); len(got) != 1+3*2 { // the question for the other, three answers for both
		t.Errorf("after a minute %d datagrams", len(got))
	}
	if got := receive(91*time.Second, client, ask); !refused(got, 0x60) {
		t.Errorf("after 91 s %v", got)
	}
	if got := receive(0, client, bacnet.BVLC{Function: bacnet.RegisterForeignDevice, Data: []byte{1}}); !refused(got, 0x30) {
		t.Errorf("a registration that makes no sense is answered %v", got)
	}
	for i := range 2 * mostForeign {
		receive(0, netip.AddrPortFrom(client.Addr(), uint16(1000+i)), register)
	}
	if len(s.network.foreign) != mostForeign {
		t.Errorf("%d foreign devices", len(s.network.foreign))
	}
}

func TestARouterTellsWhatIsBehindIt(t *testing.T) {
	for message, want := range map[string]string{"\x00": "\x01\x00\x0C", "\x00\x00\x0C": "\x01\x00\x0C", "\x00\x00\x0D": "", "\x02\x00\x0C": ""} {
		s := newSite()
		ask := bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Message: true, Data: []byte(message)}.Append(nil)}
		s.network.Receive(time.Unix(0, 0), 0, client, ask.Append(nil))
		got := ""
		for _, datagram := range s.sent {
			m, _ := bacnet.ParseBVLC(datagram)
			p, err := bacnet.ParseNPDU(m.Data)
			if err != nil || !p.Message {
				t.Fatal(p, err)
			}
			got += string(p.Data)
		}
		if got != want {
			t.Errorf("%x is answered %x, want %x", message, got, want)
		}
	}
}

func TestAMessageForNobodyIsDropped(t *testing.T) {
	apdu := bacnet.APDU{Type: bacnet.ConfirmedRequest, MaxAPDU: 5, Service: bacnet.ServiceReadProperty, Data: bacnet.AppendReadProperty(nil, first)}.Append(nil)
	for name, c := range map[string]struct {
		socket int
		to     bacnet.Network
		want   int
	}{
		"the device at the router's address": {0, bacnet.Network{}, 1},
		"the device beside it":               {1, bacnet.Network{}, 1},
		"the device behind it":               {0, bacnet.Network{Number: 12, MAC: "\x03"}, 1},
		"another address there":              {0, bacnet.Network{Number: 12, MAC: "\x04"}, 0},
		"another network":                    {0, bacnet.Network{Number: 13, MAC: "\x03"}, 0},
		"behind what is no router":           {1, bacnet.Network{Number: 12, MAC: "\x03"}, 0},
	} {
		s := newSite()
		m := bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Destination: c.to, HopCount: 255, Data: apdu}.Append(nil)}
		if s.network.Receive(time.Unix(0, 0), c.socket, client, m.Append(nil)); len(s.sent) != c.want {
			t.Errorf("%s: %d answers", name, len(s.sent))
		}
		s.sent = nil
		if m.Function = bacnet.OriginalBroadcastNPDU; c.socket == 0 {
			if s.network.Receive(time.Unix(0, 0), 0, client, m.Append(nil)); len(s.sent) != 0 {
				t.Errorf("%s: a broadcast that wants an answer has %d", name, len(s.sent))
			}
		}
	}
}

// An answer goes back to the network that the question came from.
func TestAPeerBehindAnotherRouterIsAnswered(t *testing.T) {
	s, far := newSite(), bacnet.Network{Number: 7, MAC: "\x01\x02"}
	p := bacnet.NPDU{Source: far, Data: bacnet.APDU{Type: bacnet.ConfirmedRequest, MaxAPDU: 5, Service: bacnet.ServiceReadProperty,
		Data: bacnet.AppendReadProperty(nil, first)}.Append(nil)}
	s.network.Receive(time.Unix(0, 0), 0, client, bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: p.Append(nil)}.Append(nil))
	m, _ := bacnet.ParseBVLC(s.sent[0])
	if got, err := bacnet.ParseNPDU(m.Data); err != nil || got.Destination != far || got.HopCount != 255 {
		t.Errorf("the answer is for %+v, %v", got, err)
	}
}

func FuzzReceive(f *testing.F) {
	s := newSite()
	for _, m := range []bacnet.BVLC{{Function: bacnet.RegisterForeignDevice, Data: []byte{0, 60}},
		{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Data: request(bacnet.ServiceReadPropertyMultiple, everything(5), 5).Append(nil)}.Append(nil)},
		{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Data: bacnet.APDU{Type: bacnet.SegmentAck, InvokeID: 1, Window: 4}.Append(nil)}.Append(nil)},
		{Function: bacnet.OriginalBroadcastNPDU, Data: bacnet.NPDU{Destination: bacnet.EveryNetwork, HopCount: 1,
			Data: bacnet.APDU{Type: bacnet.UnconfirmedRequest, Service: bacnet.ServiceWhoIs}.Append(nil)}.Append(nil)},
		{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Data: request(bacnet.ServiceSubscribeCOV,
			bacnet.SubscribeCOV{Process: 1, Confirmed: true, Lifetime: 9}.Append(nil), 5).Append(nil)}.Append(nil)}} {
		f.Add(m.Append(nil), 0)
	}
	now := time.Unix(0, 0)
	f.Fuzz(func(t *testing.T, datagram []byte, socket int) {
		now = now.Add(100 * time.Millisecond)
		s.sent = nil
		s.network.Receive(now, max(0, socket)%2, client, datagram)
		s.network.Tick(now)
		for len(s.in) > 0 {
			<-s.in
		}
		for _, sent := range s.sent {
			if _, err := bacnet.ParseBVLC(sent); err != nil {
				t.Errorf("%x is no datagram", sent)
			}
		}
	})
}

func request(service uint8, data []byte, size uint8) bacnet.APDU {
	return bacnet.APDU{Type: bacnet.ConfirmedRequest, SegmentedAccepted: true, MaxSegments: 6, MaxAPDU: size, InvokeID: 1, Service: service, Data: data}
}

// everything asks for all properties of so many objects.
func everything(n uint32) []byte {
	var all []bacnet.Reference
	for i := range n {
		all = append(all, at(bacnet.ObjectID{Instance: i}, 8))
	}
	return bacnet.AppendReadPropertyMultiple(nil, all)
}
