package bacnet

import (
	"bytes"
	"context"
	"errors"
	"net"
	"net/netip"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/poller/reading"
)

// What a line of a hostile script does with its bytes, by the lowest two bits of
// what begins it. Bit 7 waits for the client's next request before.
const (
	asDatagram = iota // they are a datagram
	asAPDU            // an APDU that belongs to the last request
	asAnswer          // the data of an answer to it
	asSegment         // the same in a segment; the first byte is its number, and odd where more follow
)

// hostile is a peer that answers with what a script says.
type hostile struct {
	end    *plug
	script []byte
	client netip.AddrPort
	last   APDU // the client's last request
}

// next takes a line from the script: a byte of what to do, one of how many bytes
// follow, and these.
func (h *hostile) next() (do byte, data []byte, ok bool) {
	if len(h.script) < 2 {
		return 0, nil, false
	}
	do, n := h.script[0], min(int(h.script[1]), len(h.script)-2)
	data, h.script = h.script[2:2+n], h.script[2+n:]
	return do, data, true
}

func (h *hostile) run() {
	var buffer [longestDatagram]byte
	for {
		n, _, err := h.end.ReadFrom(buffer[:])
		if err != nil {
			return
		}
		if m, err := ParseBVLC(bytes.Clone(buffer[:n])); err == nil {
			if n, err := ParseNPDU(m.Data); err == nil {
				if a, err := ParseAPDU(n.Data); err == nil && a.Type == ConfirmedRequest {
					h.last = a
				}
			}
		}
		for again := false; len(h.script) > 1; again = true {
			if again && h.script[0]&0x80 != 0 {
				h.script[0] &^= 0x80
				break
			}
			do, data, ok := h.next()
			if !ok {
				break
			}
			h.say(do, data)
		}
	}
}

func (h *hostile) say(do byte, data []byte) {
	a := APDU{Type: ComplexAck, InvokeID: h.last.InvokeID, Service: h.last.Service, Data: data}
	apdu := a.Append(nil)
	switch do & 3 {
	case asDatagram:
		h.send(data)
		return
	case asAPDU:
		if apdu = bytes.Clone(data); len(apdu) > 1 {
			apdu[1] = h.last.InvokeID
		}
	case asSegment:
		if len(data) == 0 {
			return
		}
		a.Segmented, a.MoreFollows, a.Sequence, a.Window, a.Data = true, data[0]&1 != 0, data[0]>>1, do>>2&7+1, data[1:]
		apdu = a.Append(nil)
	}
	n := NPDU{Data: apdu}
	h.send(BVLC{Function: OriginalUnicastNPDU, Data: n.Append(nil)}.Append(nil))
}

func (h *hostile) send(data []byte) { h.end.WriteTo(data, net.UDPAddrFromAddrPort(h.client)) }

// FuzzClient has a peer answer a client, which reads a name and several values,
// discovers and watches, with whatever a script says. Each call ends, in time; it
// gives what was asked for in its order, or an error that it is documented to give;
// and nothing is left running.
func FuzzClient(f *testing.F) {
	line := func(do byte, hex string) []byte {
		b := wire(f, hex)
		return append([]byte{do, byte(len(b))}, b...)
	}
	join := func(lines ...[]byte) []byte { return bytes.Join(lines, nil) }
	f.Add(join(line(asAnswer, "0C0000000119553E44428200003F"), line(0x80|asAnswer, "0C000000011E29554E44428200004F1F0C000000021E29554E44428200004F1F")))
	f.Add(join(line(asAPDU, "500C0C91019120"), line(0x80|asAPDU, "600009"), line(0x80|asAPDU, "710004"), line(0x80|asAPDU, "200F0C")))
	f.Add(join(line(asSegment, "010C000000011E2955"), line(asSegment, "034E44428200004F1F"), line(asSegment, "03"), line(asSegment, "09AA"), line(asSegment, "04")))
	f.Add(join(line(asDatagram, "810A00120100 1000C40200000122040091032163"), line(asDatagram, "810B000C0120FFFF00FF1008")))
	f.Add(join(line(asDatagram, "810400180A000002BAC00100 1000C40200000122040091032163")))
	f.Add(join(line(asDatagram, "81000006000F"), line(asDatagram, "8100000600"), line(asDatagram, "")))
	f.Add(join(line(asAPDU, "0000010109011C020000012C0000000139004E09552E44428200002F4F"), line(asAPDU, "1002 09011C020000012C0000000139004E09552E44428200002F4F")))
	f.Fuzz(func(t *testing.T, script []byte) {
		synctest.Test(t, func(t *testing.T) { attack(t, bytes.Clone(script)) })
	})
}

func attack(t *testing.T, script []byte) {
	w := newWires()
	own, peer := netip.MustParseAddrPort("10.0.0.1:47808"), netip.MustParseAddrPort("10.0.0.2:47808")
	o := Options{APDUTimeout: time.Second, SegmentTimeout: time.Second, Retries: 1, Broadcast: everybody, BBMD: peer}
	c := New(w.plug(own.String()), o)
	h := &hostile{end: w.plug(peer.String()), script: script, client: own}
	go h.run()
	defer func() {
		c.Close()
		h.end.Close()
		synctest.Wait()
	}()
	c.Add(IAm{Instance: 1, MaxAPDU: 1476, Segmentation: SegmentedBoth}, Station{Via: peer})
	// A script has at most so many lines, each of which may put an answer off.
	limit := time.Duration(len(script)/2+8) * 10 * time.Second
	within := func(what string, call func() error) {
		began := time.Now()
		err := call()
		if took := time.Since(began); took > limit {
			t.Fatalf("%s took %v", what, took)
		}
		if err != nil && !documented(err) {
			t.Fatalf("%s: %v is no error that it may give", what, err)
		}
	}
	within("Read", func() error {
		_, err := c.Read(t.Context(), 1, analogInput(1, PresentValue))
		return err
	})
	within("ReadAll", func() error {
		asked := inputs(4)
		got, err := c.ReadAll(t.Context(), 1, asked)
		if err == nil && len(got) != len(asked) {
			t.Fatalf("%d results of %d", len(got), len(asked))
		}
		for i := range got {
			if got[i].Reference != asked[i] {
				t.Fatalf("result %d is of %v", i, got[i].Reference)
			}
		}
		return err
	})
	within("Read of one who must be found", func() error {
		_, err := c.Read(t.Context(), 2, analogInput(1, PresentValue))
		return err
	})
	within("Register", func() error { c.Register(t.Context()); return nil }) // any refusal has words of its own
	within("Discover", func() error {
		found, err := c.Discover(t.Context(), WhoIs{}, time.Second)
		seen := make(map[uint32]bool)
		for _, d := range found {
			if seen[d.Instance] || d.Instance > 1<<22-1 {
				t.Fatalf("%d was found twice or cannot be", d.Instance)
			}
			seen[d.Instance] = true
		}
		return err
	})
	within("Watch", func() error {
		cancel, err := c.Watch(t.Context(), 1, analogInput(1, PresentValue).Object, true, time.Minute, func(n COVNotification) {
			if n.Object != analogInput(1, PresentValue).Object {
				t.Errorf("told of %v", n.Object)
			}
		})
		if err == nil {
			time.Sleep(time.Second)
			cancel()
		}
		return err
	})
}

// documented reports whether a call of the client may give an error.
func documented(err error) bool {
	var failure *reading.Failure
	return errors.As(err, &failure) || refused(err) || errors.Is(err, ErrTimeout) || errors.Is(err, ErrMalformed) || errors.Is(err, ErrClosed) ||
		errors.Is(err, context.Canceled)
}
