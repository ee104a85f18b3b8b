package main

import (
	"errors"
	"fmt"
	"net"
	"net/netip"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"fanwarden/poller/bacnet"
)

// startBACnet serves devices on the npm package @bacnet-js/client.
func startBACnet(t *testing.T) *peer {
	t.Helper()
	script := bacnetScript(t, "bacnet_devices.cjs")
	return startPeer(t, script[0], script[1:]...)
}

// bacnetScript is how a script on the npm package @bacnet-js/client is started,
// whose place FANWARDEN_NODE_MODULES names.
func bacnetScript(t *testing.T, name string) []string {
	t.Helper()
	modules := os.Getenv("FANWARDEN_NODE_MODULES")
	_, err := os.Stat(filepath.Join(modules, "@bacnet-js", "client"))
	missing(t, "the npm package @bacnet-js/client in the folder of FANWARDEN_NODE_MODULES", err)
	node, err := exec.LookPath("node")
	missing(t, "node", err)
	return []string{"/usr/bin/env", "NODE_PATH=" + modules, node, filepath.Join(peersDir, name)}
}

// asked returns how often a device was asked in which way.
func (p *peer) asked(device int) (multiple, single, write int) {
	p.t.Helper()
	fmt.Fprintf(p.in, "asked %d\n", device)
	answer := p.line()
	if _, err := fmt.Sscanf(answer, "asked multiple %d single %d write %d", &multiple, &single, &write); err != nil {
		p.t.Fatalf("the peer says %q", answer)
	}
	return multiple, single, write
}

// bacnetClient talks to the doorway of a peer.
func bacnetClient(t *testing.T, p *peer) *bacnet.Client {
	t.Helper()
	conn, err := net.ListenPacket("udp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := bacnet.New(conn, bacnet.Options{APDUTimeout: 200 * time.Millisecond, Broadcast: netip.MustParseAddrPort("127.0.0.1:" + p.port)})
	t.Cleanup(func() { c.Close() })
	return c
}

// TestClientAgreesWithAnotherStack holds our client to a stack that somebody else
// wrote: who is there, many properties and one, a bad object among good ones, a
// device that knows no multiple reads, a list too long for a datagram, a command
// and its release, and lost datagrams.
func TestClientAgreesWithAnotherStack(t *testing.T) {
	t.Parallel()
	p := startBACnet(t)
	p.do("fan 1201")
	p.do("fan 1202 phase=2 pressure=58")
	p.do("mode 1201 still")
	c := bacnetClient(t, p)
	ctx := t.Context()
	found, err := c.Discover(ctx, bacnet.WhoIs{}, 300*time.Millisecond)
	if err != nil || len(found) != 2 || found[0].Vendor != 999 || found[0].Station.Via == found[1].Station.Via {
		t.Fatalf("found %+v, %v", found, err)
	}
	at := func(kind bacnet.ObjectType, n uint32, property bacnet.PropertyID) bacnet.Reference {
		return bacnet.Reference{Object: bacnet.ObjectID{Type: kind, Instance: n}, Property: property}
	}
	wanted := []bacnet.Reference{at(bacnet.AnalogInput, 1, bacnet.PresentValue), at(bacnet.AnalogInput, 1, bacnet.StatusFlagsOf),
		at(bacnet.AnalogInput, 77, bacnet.PresentValue), at(bacnet.BinaryInput, 1, bacnet.UnitsOf), at(bacnet.AnalogInput, 1, bacnet.UnitsOf)}
	p.do("set 1201 analog-input,1 present-value -45.5")
	p.do("flags 1201 analog-input,1 fault overridden")
	for _, multiple := range []string{"yes", "no"} {
		p.do("multiple 1201 %s", multiple)
		got, err := c.ReadAll(ctx, 1201, wanted)
		if err != nil || len(got) != len(wanted) {
			t.Fatalf("multiple %s: %v", multiple, err)
		}
		value, _ := got[0].Values[0].Number()
		flags, _ := got[1].Values[0].Flags()
		unit, _ := got[4].Values[0].Unsigned()
		if value != -45.5 || flags != (bacnet.StatusFlags{Fault: true, Overridden: true}) || unit != 53 {
			t.Errorf("multiple %s: %v", multiple, got)
		}
		var remote *bacnet.RemoteError
		if !errors.As(got[2].Err, &remote) || *remote != (bacnet.RemoteError{Class: 1, Code: 31}) || !errors.As(got[3].Err, &remote) || *remote != (bacnet.RemoteError{Class: 2, Code: 32}) {
			t.Errorf("multiple %s: an unknown object and property are %v, %v", multiple, got[2].Err, got[3].Err)
		}
	}
	if multiple, single, _ := p.asked(1201); multiple != 1 || single != len(wanted) {
		t.Errorf("the device was asked %d times for many and %d times for one", multiple, single)
	}
	for n := range 300 {
		p.do("set 1202 analog-value,%d object-name Spare %d", 100+n, n)
	}
	list := at(bacnet.DeviceObject, 1202, bacnet.ObjectList)
	if _, err := c.Read(ctx, 1202, list); err == nil {
		t.Error("a list of 311 objects fits one datagram")
	}
	list.Indexed = true
	if got, err := c.Read(ctx, 1202, list); err != nil || len(got) != 1 || got[0].Content[len(got[0].Content)-1] != 311&0xFF {
		t.Errorf("the number of objects is %v, %v", got, err)
	}
	forceAndRelease(t, p, c)

	p.do("lose 0.2")
	lost := 0
	for range 30 {
		if _, err := c.ReadAll(ctx, 1202, wanted[:2]); err != nil {
			lost++
		}
	}
	if lost > 3 { // 1.7 % of the requests go unanswered four times
		t.Errorf("%d of 30 requests were lost with a datagram in five", lost)
	}
}

// forceAndRelease forces a speed and lets it go again.
func forceAndRelease(t *testing.T, p *peer, c *bacnet.Client) {
	t.Helper()
	output := bacnet.Reference{Object: bacnet.ObjectID{Type: bacnet.AnalogOutput, Instance: 1}, Property: bacnet.PresentValue}
	slot := output
	slot.Property, slot.Indexed, slot.Index = bacnet.PriorityArray, true, 10
	before, err := c.Read(t.Context(), 1201, output)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.Write(t.Context(), 1201, bacnet.Write{Reference: output, Value: bacnet.RealValue(33), Priority: 10}); err != nil {
		t.Fatal(err)
	}
	if got, err := c.Read(t.Context(), 1201, slot); err != nil || fmt.Sprint(got) != fmt.Sprint([]bacnet.Value{bacnet.RealValue(33)}) {
		t.Errorf("priority 10 holds %v, %v", got, err)
	}
	if err := c.Relinquish(t.Context(), 1201, output, 10); err != nil {
		t.Fatal(err)
	}
	if got, err := c.Read(t.Context(), 1201, slot); err != nil || got[0].Type != bacnet.Null {
		t.Errorf("after the release priority 10 holds %v, %v", got, err)
	}
	if after, err := c.Read(t.Context(), 1201, output); err != nil || fmt.Sprint(after) != fmt.Sprint(before) {
		t.Errorf("after the release the speed is %v, before %v, %v", after, before, err)
	}
	if _, _, writes := p.asked(1201); writes != 2 {
		t.Errorf("%d writes", writes)
	}
}
