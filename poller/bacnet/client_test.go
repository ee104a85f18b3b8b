package bacnet

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"net/netip"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"
)

// fans is a device with so many analog inputs, whose values are their numbers.
func fans(instance uint32, points int, i IAm) *controller {
	d := &controller{iam: i, values: make(map[Reference]Value)}
	d.iam.Instance = instance
	for n := range points {
		d.values[analogInput(uint32(n), PresentValue)] = RealValue(float32(n))
	}
	return d
}

func inputs(points int) (all []Reference) {
	for n := range points {
		all = append(all, analogInput(uint32(n), PresentValue))
	}
	return all
}

// bench is a client and its field within a bubble of synthetic time.
func bench(t *testing.T, o Options, test func(t *testing.T, w *wires, c *Client)) {
	synctest.Test(t, func(t *testing.T) {
		w := newWires()
		o.Broadcast = everybody
		c := New(w.plug("10.0.0.1:47808"), o)
		test(t, w, c)
		c.Close()
		for at, end := range w.ends {
			if at != netip.MustParseAddrPort("10.0.0.1:47808") {
				end.Close()
			}
		}
		time.Sleep(time.Minute)
	})
}

// checkValues finds fault with what the inputs of [fans] gave.
func checkValues(t *testing.T, got []Result, err error, points int) {
	t.Helper()
	if err != nil || len(got) != points {
		t.Fatalf("%d of %d results: %v", len(got), points, err)
	}
	for n, r := range got {
		if r.Err != nil || len(r.Values) != 1 {
			t.Fatalf("input %d: %v %v", n, r.Values, r.Err)
		}
		if f, ok := r.Values[0].Number(); !ok || f != float64(n) {
			t.Fatalf("input %d reads %v", n, f)
		}
	}
}

func TestDevicesAreFoundBehindRoutersTooAndReadThere(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		near, far := fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation}), fans(2, 3, IAm{MaxAPDU: 480, Segmentation: NoSegmentation})
		far.network = Network{2001, "\x07"}
		w.node("10.0.0.2:47808", near)
		w.node("10.0.0.3:47808", far)
		found, err := c.Discover(t.Context(), WhoIs{}, time.Second)
		if err != nil || len(found) != 2 {
			t.Fatal(found, err)
		}
		for _, instance := range []uint32{1, 2} {
			got, err := c.ReadAll(t.Context(), instance, inputs(3))
			checkValues(t, got, err, 3)
		}
	})
}

func TestAReadIsPackedToTheDevice(t *testing.T) {
	for _, size := range []uint32{50, 128, 206, 480, 1024, 1476} {
		bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
			d := fans(1, 100, IAm{MaxAPDU: size, Segmentation: NoSegmentation})
			w.node("10.0.0.2:47808", d)
			got, err := c.ReadAll(t.Context(), 1, inputs(100))
			checkValues(t, got, err, 100)
			if d.asked[ServiceReadProperty] > 0 {
				t.Errorf("%d bytes: a request did not fit, the device was read singly", size)
			}
			t.Logf("%d bytes: %d requests", size, d.asked[ServiceReadPropertyMultiple])
		})
	}
}

func TestAnAnswerInSegments(t *testing.T) {
	for _, lossy := range []bool{false, true} {
		bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
			d := fans(1, 100, IAm{MaxAPDU: 480, Segmentation: SegmentedBoth})
			w.node("10.0.0.2:47808", d)
			if lossy {
				w.lost = func(netip.AddrPort) bool { return w.count%5 == 0 }
			}
			got, err := c.ReadAll(t.Context(), 1, inputs(100))
			checkValues(t, got, err, 100)
			if len(d.segments) == 0 || !lossy && d.asked[ServiceReadPropertyMultiple] > 4 {
				t.Errorf("%d requests, %d answers in segments", d.asked[ServiceReadPropertyMultiple], len(d.segments))
			}
		})
	}
}

func TestADeviceThatRefusesMultipleReadsIsReadSinglyFromThenOn(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 5, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
		d.refuses = true
		w.node("10.0.0.2:47808", d)
		for range 3 {
			got, err := c.ReadAll(t.Context(), 1, inputs(5))
			checkValues(t, got, err, 5)
		}
		if d.asked[ServiceReadPropertyMultiple] != 1 || d.asked[ServiceReadProperty] != 15 {
			t.Errorf("asked %v", d.asked)
		}
	})
}

func TestOneBadObjectCostsThatObjectAlone(t *testing.T) {
	for _, refuses := range []bool{false, true} {
		bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
			d := fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
			d.refuses = refuses
			delete(d.values, analogInput(1, PresentValue))
			w.node("10.0.0.2:47808", d)
			got, err := c.ReadAll(t.Context(), 1, inputs(3))
			if err != nil || len(got) != 3 || got[0].Err != nil || got[2].Err != nil {
				t.Fatal(got, err)
			}
			if e, ok := got[1].Err.(*RemoteError); !ok || *e != (RemoteError{1, 31}) {
				t.Errorf("the bad one: %v", got[1].Err)
			}
		})
	}
}

func TestASilentDeviceDelaysNoOther(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		for n := range uint32(4) {
			w.node(fmt.Sprintf("10.0.1.%d:47808", n), fans(n, 3, IAm{MaxAPDU: 480, Segmentation: NoSegmentation}))
		}
		c.Add(IAm{Instance: 99, MaxAPDU: 480}, Station{Via: netip.MustParseAddrPort("10.0.0.9:47808")})
		start := time.Now()
		var all sync.WaitGroup
		all.Go(func() {
			_, err := c.Read(t.Context(), 99, analogInput(0, PresentValue))
			if took := time.Since(start); !errors.Is(err, ErrTimeout) || took != 12*time.Second { // one try and three more of 3 s
				t.Errorf("silent: %v after %s", err, took)
			}
		})
		for n := range uint32(4) {
			all.Go(func() {
				got, err := c.ReadAll(t.Context(), n, inputs(3))
				checkValues(t, got, err, 3)
				if took := time.Since(start); took > 0 {
					t.Errorf("device %d waited %s", n, took)
				}
			})
		}
		all.Wait()
	})
}

func TestOneDatagramInFiveIsLost(t *testing.T) {
	bench(t, Options{Retries: 8}, func(t *testing.T, w *wires, c *Client) {
		dice := rand.New(rand.NewPCG(1, 2))
		w.lost = func(netip.AddrPort) bool { return dice.IntN(5) == 0 }
		w.node("10.0.0.2:47808", fans(1, 20, IAm{MaxAPDU: 206, Segmentation: NoSegmentation}))
		for range 100 {
			got, err := c.ReadAll(t.Context(), 1, inputs(20))
			checkValues(t, got, err, 20)
		}
	})
}

func TestWhatIsWrittenAndRelinquished(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 1, IAm{MaxAPDU: 480, Segmentation: NoSegmentation})
		w.node("10.0.0.2:47808", d)
		speed := Reference{Object: ObjectID{AnalogOutput, 1}, Property: PresentValue}
		for _, priority := range []uint8{0, 1, 8, 17} {
			if err := c.Write(t.Context(), 1, Write{speed, RealValue(60), priority}); err != ErrPriority {
				t.Errorf("priority %d: %v", priority, err)
			}
		}
		if err := c.Write(t.Context(), 1, Write{speed, RealValue(60), 9}); err != nil {
			t.Error(err)
		}
		if err := c.Relinquish(t.Context(), 1, speed, 9); err != nil {
			t.Error(err)
		}
		if len(d.commands) != 2 || d.commands[0].Priority != 9 || d.commands[1].Value.Type != Null || d.commands[1].Priority != 9 {
			t.Errorf("%+v", d.commands)
		}
	})
}

func TestASubscriptionIsRenewedAndTells(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 1, IAm{MaxAPDU: 480, Segmentation: NoSegmentation})
		n := w.node("10.0.0.2:47808", d)
		var told []COVNotification
		object := ObjectID{AnalogInput, 0}
		cancel, err := c.Watch(t.Context(), 1, object, true, time.Minute, func(n COVNotification) { told = append(told, n) })
		if err != nil {
			t.Fatal(err)
		}
		change := COVNotification{Process: d.watched[0].Process, Device: ObjectID{DeviceObject, 1}, Object: object,
			Values: []Result{{Reference: analogInput(0, PresentValue), Values: []Value{RealValue(7)}}}}
		n.send(d, APDU{Type: ConfirmedRequest, InvokeID: 3, Service: ServiceConfirmedCOV, Data: change.Append(nil)}, c.conn.(*plug).own)
		time.Sleep(95 * time.Second) // renewed at 30, 60 and 90 s
		cancel()
		synctest.Wait()
		if len(told) != 1 || len(d.watched) != 5 || !d.watched[4].Cancel {
			t.Errorf("told %d times; %+v", len(told), d.watched)
		}
	})
}

func TestAForeignDeviceRegistersAndRenews(t *testing.T) {
	at := netip.MustParseAddrPort("10.0.0.8:47808")
	bench(t, Options{BBMD: at, TTL: time.Minute}, func(t *testing.T, w *wires, c *Client) {
		bbmd := w.plug(at.String())
		var came []time.Duration
		start := time.Now()
		go func() {
			var b [100]byte
			for {
				n, from, err := bbmd.ReadFrom(b[:])
				if err != nil {
					return
				}
				if m, _ := ParseBVLC(b[:n]); m.Function == RegisterForeignDevice && string(m.Data) == "\x00\x3c" {
					came = append(came, time.Since(start))
					bbmd.WriteTo(BVLC{Function: BVLCResult, Data: []byte{0, 0}}.Append(nil), from)
				}
			}
		}()
		if err := c.Register(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(65 * time.Second)
		synctest.Wait()
		if len(came) != 3 || came[2] != time.Minute {
			t.Errorf("registered at %v", came)
		}
	})
}

func TestCloseEndsWhatWaits(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, _ *Client) {
		c := New(w.plug("10.0.0.7:47808"), Options{Broadcast: everybody})
		c.Add(IAm{Instance: 99, MaxAPDU: 480}, Station{Via: netip.MustParseAddrPort("10.0.0.9:47808")})
		ended := make(chan error, 1)
		go func() {
			_, err := c.Read(context.Background(), 99, analogInput(0, PresentValue))
			ended <- err
		}()
		time.Sleep(time.Second)
		c.Close()
		if err := <-ended; err != ErrClosed {
			t.Error(err)
		}
	})
}

func TestAnAnswerThatDoesNotFitIsNotBelieved(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 5, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
		d.shuffles = true
		w.node("10.0.0.2:47808", d)
		got, err := c.ReadAll(t.Context(), 1, inputs(5))
		checkValues(t, got, err, 5)
		if d.asked[ServiceReadProperty] != 5 {
			t.Errorf("asked %v", d.asked)
		}
	})
}

func TestManySilentDevicesLeaveRoom(t *testing.T) {
	bench(t, Options{InFlight: 8}, func(t *testing.T, w *wires, c *Client) {
		w.node("10.0.0.2:47808", fans(1, 3, IAm{MaxAPDU: 480, Segmentation: NoSegmentation}))
		if _, err := c.Read(t.Context(), 1, analogInput(0, PresentValue)); err != nil {
			t.Fatal(err)
		}
		var all sync.WaitGroup
		for n := range uint32(20) {
			c.Add(IAm{Instance: 100 + n, MaxAPDU: 480}, Station{Via: netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 0, 9, byte(n)}), 47808)})
		}
		for round := range 2 {
			for n := range uint32(20) {
				all.Go(func() { c.Read(t.Context(), 100+n, analogInput(0, PresentValue)) })
			}
			if round == 1 {
				synctest.Wait()
				start := time.Now()
				got, err := c.ReadAll(t.Context(), 1, inputs(3))
				checkValues(t, got, err, 3)
				if took := time.Since(start); took > 0 {
					t.Errorf("a device that answers waited %s for those that do not", took)
				}
			}
			all.Wait()
		}
	})
}

func TestOverARealSocket(t *testing.T) {
	ends := [2]net.PacketConn{}
	for i := range ends {
		conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		ends[i] = conn
	}
	defer ends[1].Close()
	d := fans(1, 100, IAm{MaxAPDU: 480, Segmentation: SegmentedBoth})
	serve(ends[1], d)
	c := New(ends[0], Options{Broadcast: address(ends[1].LocalAddr())})
	defer c.Close()
	got, err := c.ReadAll(t.Context(), 1, inputs(100))
	checkValues(t, got, err, 100)
}

// A segment that is lost is asked for at once; an acknowledgement that is lost
// is given again when the device repeats what it covers (clause 5.4.4).
func TestOneSegmentOrOneAcknowledgementIsLost(t *testing.T) {
	client, device := netip.MustParseAddrPort("10.0.0.1:47808"), netip.MustParseAddrPort("10.0.0.2:47808")
	for _, c := range []struct {
		what   string
		to     netip.AddrPort
		number int // of the datagrams to it
		within time.Duration
	}{
		{"the third segment", client, 4, 0},                        // after I-Am and the first two
		{"the second acknowledgement", device, 4, 4 * time.Second}, // the simulated device looks every 2 s whether its window still stands
	} {
		bench(t, Options{}, func(t *testing.T, w *wires, cl *Client) {
			d := fans(1, 1, IAm{MaxAPDU: 50, Segmentation: SegmentedBoth})
			name, long := Reference{Object: ObjectID{AnalogInput, 0}, Property: ObjectName}, strings.Repeat("fan ", 100)
			d.values[name] = TextValue(long)
			w.node("10.0.0.2:47808", d)
			seen := 0
			w.lost = func(to netip.AddrPort) bool {
				if to == c.to {
					seen++
				}
				return to == c.to && seen == c.number
			}
			start := time.Now()
			got, err := cl.Read(t.Context(), 1, name)
			if err != nil || len(got) != 1 || d.asked[ServiceReadProperty] != 1 {
				t.Fatalf("%s: %v, asked %v", c.what, err, d.asked)
			}
			if text, ok := got[0].Text(); !ok || text != long {
				t.Errorf("%s: read %q", c.what, text)
			}
			if took := time.Since(start); took > c.within {
				t.Errorf("%s: took %s, want at most %s", c.what, took, c.within)
			}
		})
	}
}

// Whoever says to be a million devices takes no more memory than ten thousand do,
// and one that is asked for is found and kept all the same.
func TestAFloodOfDevices(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		for n := range uint32(1_000_000) {
			c.met(IAm{Instance: 1000 + n, MaxAPDU: 1476}, Station{Via: netip.MustParseAddrPort("10.0.0.9:47808")})
		}
		if n := len(c.devices); n != mostDevices {
			t.Errorf("%d devices are kept, want %d", n, mostDevices)
		}
		w.node("10.0.0.2:47808", fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation}))
		got, err := c.ReadAll(t.Context(), 1, inputs(3))
		checkValues(t, got, err, 3)
		if _, known := c.known(1); !known {
			t.Error("a device that was asked for is not kept")
		}
	})
}

// A device that moves leaves nothing behind.
func TestADeviceThatMoves(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		for n := range 50 {
			at := fmt.Sprintf("10.0.1.%d:47808", n+1)
			w.node(at, fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation}))
			c.Add(IAm{Instance: 1, MaxAPDU: 1476, Segmentation: NoSegmentation}, Station{Via: netip.MustParseAddrPort(at)})
			got, err := c.ReadAll(t.Context(), 1, inputs(3))
			checkValues(t, got, err, 3)
		}
		if n := len(c.lines); n != 1 {
			t.Errorf("%d stations are kept, want one", n)
		}
	})
}

// A device that sends the same segment for ever is given up, too.
func TestADeviceThatComesToNoEnd(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		h := &hostile{end: w.plug("10.0.0.2:47808"), client: netip.MustParseAddrPort("10.0.0.1:47808")}
		go func() {
			for {
				select {
				case d := <-h.end.in:
					if m, err := ParseBVLC(d.data); err == nil {
						n, _ := ParseNPDU(m.Data)
						if a, err := ParseAPDU(n.Data); err == nil && a.Type == ConfirmedRequest {
							h.last = a
							h.say(asSegment, []byte{1})
						}
					}
				case <-time.After(time.Second):
					h.say(asSegment, []byte{1})
				case <-h.end.closed:
					return
				}
			}
		}()
		c.Add(IAm{Instance: 1, MaxAPDU: 1476, Segmentation: SegmentedBoth}, Station{Via: h.end.own})
		began := time.Now()
		_, err := c.ReadAll(t.Context(), 1, inputs(3))
		if took := time.Since(began); !errors.Is(err, ErrTimeout) || took > 10*time.Second {
			t.Errorf("%v after %v", err, took)
		}
	})
}

// An object whose answer makes no sense costs that object alone, with multiple reads
// and without.
func TestAnAnswerWithoutSenseCostsItsObjectAlone(t *testing.T) {
	for _, refuses := range []bool{false, true} {
		bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
			d := fans(1, 5, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
			d.refuses = refuses
			d.values[analogInput(1, PresentValue)] = Value{Constructed, []byte{0x44, 0, 0}} // a number that is cut off
			w.node("10.0.0.2:47808", d)
			got, err := c.ReadAll(t.Context(), 1, inputs(5))
			if err != nil || len(got) != 5 {
				t.Errorf("refuses %v: %d results, %v", refuses, len(got), err)
				return
			}
			if got[1].Err != ErrMalformed {
				t.Errorf("the one: %v %v", got[1].Values, got[1].Err)
			}
			got[1] = Result{Values: []Value{RealValue(1)}}
			checkValues(t, got, nil, 5)
		})
	}
}

// Who no longer wants to be told by a device that is gone does not look for it.
func TestACancelledSubscriptionLooksForNobody(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		n := w.node("10.0.0.2:47808", fans(1, 1, IAm{MaxAPDU: 480, Segmentation: NoSegmentation}))
		cancel, err := c.Watch(t.Context(), 1, ObjectID{AnalogInput, 0}, true, time.Minute, func(COVNotification) {})
		if err != nil {
			t.Fatal(err)
		}
		n.mu.Lock()
		n.devices[0].hidden, n.lookups = true, 0
		n.mu.Unlock()
		c.Forget(1)
		cancel()
		time.Sleep(time.Minute)
		n.mu.Lock()
		defer n.mu.Unlock()
		if n.lookups > 0 {
			t.Errorf("it was looked for %d times", n.lookups)
		}
	})
}

// A BBMD that has forgotten us, as after its restart, refuses what we broadcast
// (Annex J.2.1.1, code 0060): we register at once, and its refusal is not taken for
// that of a registration.
func TestABBMDThatHasForgottenUs(t *testing.T) {
	at := netip.MustParseAddrPort("10.0.0.8:47808")
	bench(t, Options{BBMD: at, TTL: time.Minute}, func(t *testing.T, w *wires, c *Client) {
		bbmd := w.plug(at.String())
		var came []time.Duration
		start := time.Now()
		go func() {
			var b [100]byte
			for {
				n, from, err := bbmd.ReadFrom(b[:])
				if err != nil {
					return
				}
				say := func(code byte) { bbmd.WriteTo(BVLC{Function: BVLCResult, Data: []byte{0, code}}.Append(nil), from) }
				switch m, _ := ParseBVLC(b[:n]); {
				case m.Function == RegisterForeignDevice:
					if came = append(came, time.Since(start)); len(came) == 2 {
						say(0x60) // to a broadcast before
					}
					say(0)
				case m.Function == DistributeBroadcast && len(came) == 1:
					say(0x60)
				}
			}
		}()
		if err := c.Register(t.Context()); err != nil {
			t.Fatal(err)
		}
		time.Sleep(10 * time.Second)
		c.Look(1, 2)
		time.Sleep(29 * time.Second)
		c.Look(1, 2)
		time.Sleep(29 * time.Second)
		synctest.Wait()
		if want := []time.Duration{0, 10 * time.Second, 40 * time.Second}; !slices.Equal(came, want) {
			t.Errorf("registered at %v, want %v", came, want)
		}
	})
}

// Who closes leaves no subscription behind with devices that answer.
func TestSubscriptionsEndWithTheClient(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 2, IAm{MaxAPDU: 480, Segmentation: NoSegmentation})
		w.node("10.0.0.2:47808", d)
		for n := range uint32(2) {
			if _, err := c.Watch(t.Context(), 1, ObjectID{AnalogInput, n}, true, time.Minute, func(COVNotification) {}); err != nil {
				t.Fatal(err)
			}
		}
		c.Close()
		synctest.Wait()
		left := make(map[ObjectID]uint32)
		for _, s := range d.watched {
			if left[s.Object] = s.Process; s.Cancel {
				delete(left, s.Object)
			}
		}
		if len(d.watched) < 4 || len(left) > 0 {
			t.Errorf("%+v", d.watched)
		}
	})
}
