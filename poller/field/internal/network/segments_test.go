package network

import (
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
)

// texts are the descriptions of all inputs: some 2000 bytes.
func texts() (all []bacnet.Reference) {
	for i := range uint32(40) {
		all = append(all, at(bacnet.ObjectID{Instance: i}, 28))
	}
	return all
}

func TestALongAnswerComesInSegments(t *testing.T) {
	for _, loss := range []float64{0, 0.1} {
		with(t, bacnet.Options{Retries: 8}, func(t *testing.T, s *site, c *bacnet.Client) {
			random, segments := rand.New(rand.NewPCG(1, 2)), 0
			s.lost = func(datagram []byte, outwards bool) bool {
				m, _ := bacnet.ParseBVLC(datagram)
				p, _ := bacnet.ParseNPDU(m.Data)
				if a, _ := bacnet.ParseAPDU(p.Data); outwards && a.Type == bacnet.ComplexAck && a.Segmented {
					segments++
				}
				return random.Float64() < loss
			}
			for range 10 {
				got, err := c.ReadAll(t.Context(), 1203, texts())
				if err != nil || len(got) != 40 {
					t.Fatalf("with a loss of %v: %d results, %v", loss, len(got), err)
				}
				for i, r := range got {
					if text, _ := r.Values[0].Text(); r.Err != nil || text != "as an exhaust fan's riser has them" {
						t.Fatalf("%d: %q, %v", i, text, r.Err)
					}
				}
			}
			if segments < 50 {
				t.Errorf("%d segments were sent", segments)
			}
		})
	}
}

// bench puts one request for all of five objects to the device at the router.
func bench(t *testing.T, change func(*Station, *bacnet.APDU)) (s *site, answers func() []bacnet.APDU) {
	t.Helper()
	s = newSite()
	a := request(bacnet.ServiceReadPropertyMultiple, everything(8), 3)
	change(s.network.Stations[0], &a)
	answers = func() (all []bacnet.APDU) {
		for _, datagram := range s.sent {
			m, _ := bacnet.ParseBVLC(datagram)
			p, _ := bacnet.ParseNPDU(m.Data)
			a, err := bacnet.ParseAPDU(p.Data)
			if err != nil {
				t.Fatal(err)
			}
			all = append(all, a)
		}
		s.sent = nil
		return all
	}
	s.give(time.Unix(0, 0), a)
	return s, answers
}

// give gives the device at the router's address a message.
func (s *site) give(now time.Time, a bacnet.APDU) {
	s.network.Receive(now, 0, client, bacnet.BVLC{Function: bacnet.OriginalUnicastNPDU, Data: bacnet.NPDU{Data: a.Append(nil)}.Append(nil)}.Append(nil))
}

// Abort reasons: 4 segmentation not supported, 1 buffer overflow (clause 20.1.9,
// BACnetAbortReason).
func TestAnAnswerThatDoesNotFitIsBrokenOff(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*Station, *bacnet.APDU)
		reason uint8
	}{
		"the peer takes no segments":     {func(_ *Station, a *bacnet.APDU) { a.SegmentedAccepted = false }, 4},
		"the device sends no segments":   {func(s *Station, _ *bacnet.APDU) { s.Device.Segments = false }, 4},
		"too many segments for the peer": {func(_ *Station, a *bacnet.APDU) { a.MaxSegments = 1 }, 1},
		"the request is too long":        {func(s *Station, _ *bacnet.APDU) { s.Device.MaxAPDU = 50 }, 1},
		"the request is in segments":     {func(_ *Station, a *bacnet.APDU) { a.Segmented, a.Window = true, 1 }, 4},
	} {
		_, answers := bench(t, c.change)
		if got := answers(); len(got) != 1 || got[0].Type != bacnet.AbortPDU || !got[0].Server || got[0].Service != c.reason {
			t.Errorf("%s: %+v, want an abort for reason %d", name, got, c.reason)
		}
	}
}

func TestAnAnswerIsNoLongerThanThePeerAndTheDeviceTake(t *testing.T) {
	for code, want := range []int{50, 128, 206, 480, 480, 480} {
		_, answers := bench(t, func(_ *Station, a *bacnet.APDU) { a.MaxAPDU, a.MaxSegments = uint8(code), 0 })
		got := answers()
		if len(got) != 1 || !got[0].Segmented || len(got[0].Append(nil)) != want {
			t.Errorf("code %d: %d bytes, want %d", code, len(got[0].Append(nil)), want)
		}
	}
}

// sequences lists the segments of what was sent.
func sequences(all []bacnet.APDU) (n []uint8) {
	for _, a := range all {
		n = append(n, a.Sequence)
	}
	return n
}

func same(a, b []uint8) bool { return string(a) == string(b) }

// The first segment is sent alone; the peer then says how many it takes in one
// go (clause 5.4.5).
func TestSegmentsWaitForTheirAcknowledgement(t *testing.T) {
	begun := time.Unix(0, 0)
	s, answers := bench(t, func(_ *Station, a *bacnet.APDU) { a.MaxAPDU = 1 })
	ack := func(sequence, window uint8, gap bool) {
		s.give(begun, bacnet.APDU{Type: bacnet.SegmentAck, InvokeID: 1, Sequence: sequence, Window: window, Negative: gap})
	}
	for _, step := range []struct {
		what string
		do   func()
		want []uint8
	}{
		{"at first", func() {}, []uint8{0}},
		{"asked again meanwhile", func() { s.give(begun, request(bacnet.ServiceReadPropertyMultiple, everything(8), 1)) }, nil},
		{"a window of two", func() { ack(0, 2, false) }, []uint8{1, 2}},
		{"told twice", func() { ack(0, 2, false) }, nil},
		{"beyond what was sent", func() { ack(7, 2, false) }, nil},
		{"for another request", func() { s.give(begun, bacnet.APDU{Type: bacnet.SegmentAck, InvokeID: 2, Sequence: 2, Window: 2}) }, nil},
		{"the second is lost", func() { ack(1, 2, true) }, []uint8{2, 3}},
		{"the first is lost", func() { ack(1, 2, true) }, []uint8{2, 3}},
		{"after 1.9 s", func() { s.network.Tick(begun.Add(1900 * time.Millisecond)) }, nil},
		{"after 2 s", func() { s.network.Tick(begun.Add(2 * time.Second)) }, []uint8{2, 3}},
		{"a wider window", func() { ack(3, 3, false) }, []uint8{4, 5, 6}},
		{"after 4 s", func() { s.network.Tick(begun.Add(4 * time.Second)) }, []uint8{4, 5, 6}},
		{"after 6 s", func() { s.network.Tick(begun.Add(6 * time.Second)) }, []uint8{4, 5, 6}},
		{"after 8 s", func() { s.network.Tick(begun.Add(8 * time.Second)) }, []uint8{4, 5, 6}},
		{"after 10 s it gives up", func() { s.network.Tick(begun.Add(10 * time.Second)) }, nil},
		{"too late", func() { ack(6, 3, false) }, nil},
	} {
		step.do()
		if got := sequences(answers()); !same(got, step.want) {
			t.Errorf("%s: %v, want %v", step.what, got, step.want)
		}
	}
	if n := len(s.network.Stations[0].transfers); n > 0 {
		t.Errorf("%d answers are still on their way", n)
	}
}

func TestAPeerBreaksAnAnswerOff(t *testing.T) {
	s, answers := bench(t, func(_ *Station, a *bacnet.APDU) { a.MaxAPDU = 1 })
	answers()
	s.give(time.Unix(0, 0), bacnet.APDU{Type: bacnet.AbortPDU, InvokeID: 1, Service: 1})
	s.network.Tick(time.Unix(9, 0))
	if got := answers(); len(got) > 0 || len(s.network.Stations[0].transfers) > 0 {
		t.Errorf("%d segments after the end", len(got))
	}
}
