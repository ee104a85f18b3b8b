package bacnet

import (
	"context"
	"time"
)

// Device is a device that has said who it is.
type Device struct {
	IAm
	Station Station

	noMultiple bool // it has answered a whole multiple read with a refusal
}

// mostDevices is how many devices are kept that nobody asked for: anybody can say
// to be any device, and there can be four million.
const mostDevices = 10_000

// met takes what a device says of itself: it is noted, as long as there are not too
// many, and those who wait for it are told. A device that is known and answers is
// not replaced by another one that calls itself the same, be it a mistake or meant.
func (c *Client) met(i IAm, from Station) {
	c.mu.Lock()
	defer c.mu.Unlock()
	d := Device{IAm: i, Station: from}
	known := c.devices[i.Instance]
	if known != nil && from != known.Station && !c.gone(known.Station) {
		c.another(i.Instance, known.Station, from)
		return
	}
	if known != nil || c.expected[i.Instance] != nil || len(c.devices) < mostDevices {
		c.note(&d)
	}
	for listener := range c.listens {
		select {
		case listener <- d:
		default:
		}
	}
}

// note keeps a device. What is known of its refusals stays known; what was kept
// for a station that it has left is not. The caller holds the lock.
func (c *Client) note(d *Device) {
	if known := c.devices[d.Instance]; known != nil {
		if known.Station == d.Station {
			d.noMultiple = known.noMultiple
		} else {
			delete(c.lines, known.Station)
		}
	}
	c.devices[d.Instance] = d
	delete(c.unfound, d.Instance)
	if l := c.expected[d.Instance]; l != nil && !l.over {
		l.over = true
		close(l.met)
	}
}

// Add makes a device known that need not be looked for.
func (c *Client) Add(i IAm, at Station) {
	c.met(i, at)
	c.keep(Device{IAm: i, Station: at})
}

// keep notes a device that somebody asked for.
func (c *Client) keep(d Device) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.note(&d)
}

// hear opens an ear for I-Am.
func (c *Client) hear() (heard chan Device, stop func()) {
	heard = make(chan Device, 1024)
	c.mu.Lock()
	defer c.mu.Unlock()
	c.listens[heard] = struct{}{}
	return heard, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		delete(c.listens, heard)
	}
}

// whoIs broadcasts to every network.
func (c *Client) whoIs(w WhoIs) error {
	n := NPDU{Destination: EveryNetwork, HopCount: hops,
		Data: APDU{Type: UnconfirmedRequest, Service: ServiceWhoIs, Data: w.Append(nil)}.Append(nil)}
	if c.options.BBMD.IsValid() {
		return c.write(BVLC{Function: DistributeBroadcast, Data: n.Append(nil)}, c.options.BBMD)
	}
	return c.write(BVLC{Function: OriginalBroadcastNPDU, Data: n.Append(nil)}, c.options.Broadcast)
}

// Discover asks who is there and gathers what answers within the time, each
// device once, in the order of their answers.
func (c *Client) Discover(ctx context.Context, w WhoIs, within time.Duration) (found []Device, err error) {
	heard, stop := c.hear()
	defer stop()
	if err := c.whoIs(w); err != nil {
		return nil, err
	}
	timer := time.NewTimer(within)
	defer timer.Stop()
	seen := make(map[uint32]bool)
	for {
		select {
		case d := <-heard:
			if !seen[d.Instance] && (!w.Limited || d.Instance >= w.Low && d.Instance <= w.High) {
				seen[d.Instance] = true
				found = append(found, d)
			}
		case <-timer.C:
			return found, nil
		case <-ctx.Done():
			return found, ctx.Err()
		case <-c.ctx.Done():
			return found, ErrClosed
		}
	}
}

// gone reports whether the last request to a station went unanswered.
func (c *Client) gone(s Station) bool {
	l := c.lines[s]
	return l != nil && l.silent.Load()
}

// twice is an instance that two stations have.
type twice struct {
	instance uint32
	other    Station
}

// mostTwice bounds what is kept of such pairs: the other side chooses them.
const mostTwice = 1000

// another tells of a second device of one instance. The same address on the same
// network through another router is the same device.
func (c *Client) another(instance uint32, kept, other Station) {
	pair := twice{instance, other}
	if c.options.Twice == nil || c.twice[pair] || len(c.twice) >= mostTwice ||
		kept.Network == other.Network && kept.Network.Number != 0 {
		return
	}
	c.twice[pair] = true
	c.options.Twice(instance, kept, other)
}

func (c *Client) known(instance uint32) (Device, bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if d := c.devices[instance]; d != nil {
		return *d, true
	}
	return Device{}, false
}

// Forget drops what is known of a device: the next request looks for it, which
// finds one that has moved.
func (c *Client) Forget(instance uint32) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.devices, instance)
}

// readsSingly notes that a device refuses multiple reads.
func (c *Client) readsSingly(instance uint32) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if d := c.devices[instance]; d != nil {
		d.noMultiple = true
	}
}
