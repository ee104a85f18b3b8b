package bacnet

import (
	"context"
	"errors"
	"net"
	"net/netip"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/poller/reading"
)

// mute has a device keep silent about who it is: what it says goes past us.
func mute(n *node, d *controller) {
	d.values[Reference{Object: ObjectID{DeviceObject, d.iam.Instance}, Property: 62}] = UnsignedValue(uint64(d.iam.MaxAPDU))
	d.values[Reference{Object: ObjectID{DeviceObject, d.iam.Instance}, Property: 107}] = EnumeratedValue(uint32(d.iam.Segmentation))
	d.values[Reference{Object: ObjectID{DeviceObject, d.iam.Instance}, Property: 120}] = UnsignedValue(uint64(d.iam.Vendor))
	n.mu.Lock()
	defer n.mu.Unlock()
	d.hidden = true
}

// A device at the one address that there is answers requests, though its I-Am goes
// out as a broadcast to a port that is not ours.
func TestADeviceWhoseIAmIsNotHeardIsAskedWhoItIs(t *testing.T) {
	for _, direct := range []bool{true, false} {
		synctest.Test(t, func(t *testing.T) {
			w := newWires()
			at := netip.MustParseAddrPort("10.0.0.2:47808")
			c := New(w.plug("10.0.0.1:50000"), Options{Broadcast: at, Direct: direct, APDUTimeout: 500 * time.Millisecond})
			d := fans(7, 3, IAm{MaxAPDU: 480, Segmentation: NoSegmentation, Vendor: 999})
			n := w.node("10.0.0.2:47808", d)
			mute(n, d)
			began := time.Now()
			got, err := c.ReadAll(t.Context(), 7, inputs(3))
			if direct {
				checkValues(t, got, err, 3)
				if known, _ := c.known(7); known.MaxAPDU != 480 || known.Vendor != 999 || known.Station.Via != at || time.Since(began) > time.Second {
					t.Errorf("%+v after %v", known, time.Since(began))
				}
			} else if !errors.Is(err, ErrTimeout) {
				t.Errorf("a broadcast address was asked who it is: %v", err)
			}
			if _, err := c.ReadAll(t.Context(), 8, inputs(3)); !errors.Is(err, ErrTimeout) {
				t.Errorf("another instance than the one there: %v", err)
			}
			c.Close()
			n.plug.Close()
			time.Sleep(time.Minute)
		})
	}
}

// Many devices are asked at once who they are, and those that answered are not asked
// again one by one.
func TestLook(t *testing.T) {
	bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
		var nodes []*node
		for i := range uint32(5) {
			nodes = append(nodes, w.node(netip.AddrPortFrom(netip.AddrFrom4([4]byte{10, 0, 0, byte(10 + i)}), 47808).String(),
				fans(i, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})))
		}
		if err := c.Look(0, 3); err != nil {
			t.Fatal(err)
		}
		for i := range uint32(5) {
			got, err := c.ReadAll(t.Context(), i, inputs(3))
			checkValues(t, got, err, 3)
		}
		synctest.Wait() // the others hear it at the same time
		for i, n := range nodes {
			n.mu.Lock()
			if n.lookups != 2 { // for all of the range, and for the one beyond it
				t.Errorf("node %d heard %d questions", i, n.lookups)
			}
			n.mu.Unlock()
		}
	})
}

// Of two devices with one instance the first is kept, and the other is told once; one
// that has moved is found again once its old address is silent.
func TestTwoDevicesOfOneInstance(t *testing.T) {
	type pair struct{ kept, other Station }
	var told []pair
	o := Options{Twice: func(_ uint32, kept, other Station) { told = append(told, pair{kept, other}) }, APDUTimeout: 500 * time.Millisecond}
	bench(t, o, func(t *testing.T, w *wires, c *Client) {
		first := fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
		w.node("10.0.0.2:47808", first)
		got, err := c.ReadAll(t.Context(), 1, inputs(3))
		checkValues(t, got, err, 3)
		second := fans(1, 0, IAm{MaxAPDU: 50, Segmentation: NoSegmentation})
		w.node("10.0.0.3:47808", second)
		for range 3 {
			c.Discover(t.Context(), WhoIs{}, time.Second)
			got, err = c.ReadAll(t.Context(), 1, inputs(3))
			checkValues(t, got, err, 3)
		}
		if len(told) != 1 || told[0].kept.String() != "10.0.0.2:47808" || told[0].other.String() != "10.0.0.3:47808" {
			t.Errorf("told %v", told)
		}
		w.mu.Lock()
		w.lost = func(to netip.AddrPort) bool { return to.Addr() == netip.MustParseAddr("10.0.0.2") }
		w.mu.Unlock()
		if _, err := c.ReadAll(t.Context(), 1, inputs(1)); !errors.Is(err, ErrTimeout) {
			t.Errorf("a device that does not answer: %v", err)
		}
		c.Discover(t.Context(), WhoIs{}, time.Second)
		if d, _ := c.known(1); d.Station.String() != "10.0.0.3:47808" || len(told) != 1 {
			t.Errorf("the one that answers is at %s; told %v", d.Station, told)
		}
	})
}

func TestTheSameDeviceThroughTwoRoutersIsOne(t *testing.T) {
	told := 0
	bench(t, Options{Twice: func(uint32, Station, Station) { told++ }}, func(t *testing.T, _ *wires, c *Client) {
		via := func(router string) Station { return Station{netip.MustParseAddrPort(router), Network{2001, "\x07"}} }
		c.met(IAm{Instance: 5}, via("10.0.0.3:47808"))
		c.met(IAm{Instance: 5}, via("10.0.0.4:47808"))
		if d, _ := c.known(5); told != 0 || d.Station != via("10.0.0.3:47808") {
			t.Errorf("told %d times; it is at %s", told, d.Station)
		}
		if got := via("10.0.0.3:47808").String(); got != "10.0.0.3:47808, network 2001 address 07" {
			t.Error(got)
		}
	})
}

// A router that has no way to a network says so (clause 6.4.4), and nobody waits for
// what it did not pass on.
func TestARouterWithoutAWay(t *testing.T) {
	for reason, want := range map[byte]reading.Outcome{0: reading.PathUnavailable, 1: reading.PathUnavailable, rejectBusy: reading.Timeout, rejectTooLong: reading.Exception} {
		bench(t, Options{}, func(t *testing.T, w *wires, c *Client) {
			router := w.plug("10.0.0.3:47808")
			c.Add(IAm{Instance: 9, MaxAPDU: 480, Segmentation: NoSegmentation}, Station{router.own, Network{2001, "\x07"}})
			c.Add(IAm{Instance: 8, MaxAPDU: 480, Segmentation: NoSegmentation}, Station{router.own, Network{2002, "\x07"}})
			go func() {
				var buffer [longestDatagram]byte
				for {
					_, from, err := router.ReadFrom(buffer[:])
					if err != nil {
						return
					}
					n := NPDU{Message: true, Data: []byte{rejectMessage, reason, 0x07, 0xD1}} // 2001
					router.WriteTo(BVLC{Function: OriginalUnicastNPDU, Data: n.Append(nil)}.Append(nil), from)
				}
			}()
			began := time.Now()
			_, err := c.Read(t.Context(), 9, inputs(1)[0])
			if got := Failure(err).Outcome; got != want || want != reading.Timeout && time.Since(began) > time.Second {
				t.Errorf("reason %d: %s after %v, %v", reason, got, time.Since(began), err)
			}
			if _, err := c.Read(t.Context(), 8, inputs(1)[0]); !errors.Is(err, ErrTimeout) {
				t.Errorf("another network than the one that was refused: %v", err)
			}
		})
	}
	c := &Client{}
	for _, short := range [][]byte{nil, {3}, {3, 1, 7}, {0, 1, 7, 209}} {
		c.network(short, netip.AddrPort{}) // does nothing
	}
}

// What came before a device fell silent is not lost.
func TestResultsBeforeTheSilence(t *testing.T) {
	bench(t, Options{APDUTimeout: 500 * time.Millisecond}, func(t *testing.T, w *wires, c *Client) {
		d := fans(1, 100, IAm{MaxAPDU: 128, Segmentation: NoSegmentation})
		w.node("10.0.0.2:47808", d)
		if _, err := c.Read(t.Context(), 1, inputs(1)[0]); err != nil {
			t.Fatal(err)
		}
		left := 3
		w.mu.Lock()
		w.lost = func(to netip.AddrPort) bool {
			if to.Addr() == netip.MustParseAddr("10.0.0.2") {
				left--
			}
			return left < 0
		}
		w.mu.Unlock()
		got, err := c.ReadAll(t.Context(), 1, inputs(100))
		if !errors.Is(err, ErrTimeout) || len(got) == 0 || len(got) == 100 {
			t.Fatalf("%d results, %v", len(got), err)
		}
		checkValues(t, got, nil, len(got))
	})
}

// Errors before anything was sent are of a gateway that cannot be reached.
func TestOpenOnTheLoopback(t *testing.T) {
	device, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer device.Close()
	d := fans(1201, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation})
	serve(device, d)
	c, err := Open(t.Context(), Way{Address: device.LocalAddr().String()}, Options{APDUTimeout: 300 * time.Millisecond})
	if err != nil {
		t.Fatal(err)
	}
	if !c.options.Direct || c.options.BBMD.IsValid() {
		t.Error("the loopback is one device's address")
	}
	got, err := c.ReadAll(t.Context(), 1201, inputs(3))
	checkValues(t, got, err, 3)
	c.Close()

	taken := device.LocalAddr().(*net.UDPAddr).Port
	busy, err := net.ListenPacket("udp4", ":0")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Close()
	for what, w := range map[string]Way{
		"no port":        {Address: "127.0.0.1"},
		"a taken port":   {Address: "127.0.0.1:47808", LocalPort: busy.LocalAddr().(*net.UDPAddr).Port},
		"no such number": {Address: "127.0.0.1:70000"},
	} {
		if c, err := Open(t.Context(), w, Options{}); err == nil {
			c.Close()
			t.Errorf("%s: it opened", what)
		} else if what == "a taken port" && Failure(err).Outcome != reading.Refused {
			t.Errorf("%s: %s", what, Failure(err))
		}
	}
	short, stop := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer stop()
	if c, err := Open(short, Way{Address: netip.AddrPortFrom(netip.MustParseAddr("127.0.0.1"), uint16(taken)).String(), Foreign: true}, Options{}); err == nil {
		c.Close()
		t.Error("it registered with what is no BBMD")
	} else if Failure(err).Outcome != reading.Timeout {
		t.Errorf("no BBMD: %v", err)
	}
}

func TestBroadcastAddresses(t *testing.T) {
	for at, want := range map[string]bool{"10.20.3.255": true, "255.255.255.255": true, "224.0.0.1": true, "10.20.3.20": false, "127.0.0.1": false} {
		if got := broadcasts(netip.MustParseAddr(at)); got != want {
			t.Errorf("%s: %v", at, got)
		}
	}
	if got := last(netip.MustParsePrefix("10.20.3.77/26")).String(); got != "10.20.3.127" {
		t.Error(got)
	}
	if got := last(netip.MustParsePrefix("10.20.3.77/16")).String(); got != "10.20.255.255" {
		t.Error(got)
	}
}

func TestRegistrationsAndAddressesAreNoWay(t *testing.T) {
	for _, err := range []error{ErrRegistration, &net.DNSError{Err: "no such host", IsNotFound: true}} {
		if got := Failure(err).Outcome; got != reading.Refused {
			t.Errorf("%v: %s", err, got)
		}
	}
}

// Status flags, out of service and reliability are three things (clause 12).
func TestWorth(t *testing.T) {
	for _, c := range []struct {
		f    StatusFlags
		r    Reliability
		want reading.Quality
	}{
		{StatusFlags{}, 0, reading.Good},
		{StatusFlags{InAlarm: true}, 0, reading.Good},
		{StatusFlags{Fault: true}, 0, reading.Faulty},
		{StatusFlags{}, 12, reading.Faulty},
		{StatusFlags{OutOfService: true, Overridden: true}, 0, reading.OutOfService},
		{StatusFlags{Overridden: true}, 0, reading.Overridden},
	} {
		if got := Worth(c.f, c.r); got != c.want {
			t.Errorf("%+v, %s: %s, want %s", c.f, c.r, got, c.want)
		}
	}
}

// Those that are looked for in vain keep nobody from being heard who says who he is, and
// are looked for with one broadcast a time from then on.
func TestLookupsInVain(t *testing.T) {
	bench(t, Options{InFlight: 2, APDUTimeout: 500 * time.Millisecond}, func(t *testing.T, w *wires, c *Client) {
		n := w.node("10.0.0.2:47808", fans(1, 3, IAm{MaxAPDU: 1476, Segmentation: NoSegmentation}))
		var vain sync.WaitGroup
		for i := range uint32(2) {
			vain.Go(func() { c.ReadAll(t.Context(), 100+i, inputs(1)) })
		}
		time.Sleep(10 * time.Millisecond)
		time.AfterFunc(100*time.Millisecond, func() {
			c.met(IAm{Instance: 1, MaxAPDU: 1476, Segmentation: NoSegmentation}, Station{Via: netip.MustParseAddrPort("10.0.0.2:47808")})
		})
		began := time.Now()
		got, err := c.ReadAll(t.Context(), 1, inputs(3))
		checkValues(t, got, err, 3)
		if took := time.Since(began); took > 200*time.Millisecond {
			t.Errorf("it was read after %v", took)
		}
		vain.Wait()
		for round, want := range []int{8, 9} {
			n.mu.Lock()
			if n.lookups != want {
				t.Errorf("round %d: %d questions, want %d", round, n.lookups, want)
			}
			n.mu.Unlock()
			if _, err := c.ReadAll(t.Context(), 100, inputs(1)); !errors.Is(err, ErrTimeout) {
				t.Error(err)
			}
		}
		c.mu.Lock()
		defer c.mu.Unlock()
		if len(c.expected) > 0 {
			t.Errorf("%d devices are still expected", len(c.expected))
		}
	})
}
