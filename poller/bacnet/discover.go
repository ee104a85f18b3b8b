package bacnet

import (
	"context"
	"errors"
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
	if known != nil || len(c.devices) < mostDevices {
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

// looked is a question for many devices.
type looked struct {
	low, high uint32
	at        time.Time
}

// Look asks all devices within a range of instances who they are, at once: whoever
// wants one of them then need not ask again before its answer is overdue.
func (c *Client) Look(low, high uint32) error {
	c.mu.Lock()
	c.looked = looked{low, high, time.Now()}
	c.mu.Unlock()
	return c.whoIs(WhoIs{true, low, high})
}

// asked reports whether a device was asked who it is so lately that its answer may
// be under way.
func (c *Client) asked(instance uint32) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := c.looked
	return l.low <= instance && instance <= l.high && !l.at.IsZero() && time.Since(l.at) < c.options.APDUTimeout
}

// introduce asks the device at the one address that there is who it is, which is
// how one is met whose I-Am goes past us: it answers requests to whom asks.
func (c *Client) introduce(ctx context.Context, instance uint32) {
	const maxAPDU, segmentation, vendor PropertyID = 62, 107, 120 // from memory
	own := ObjectID{DeviceObject, instance}
	d := Device{IAm: IAm{Instance: instance, MaxAPDU: uint32(apduSizes[0]), Segmentation: NoSegmentation}, Station: Station{Via: c.options.Broadcast}}
	for _, p := range []PropertyID{maxAPDU, segmentation, vendor} {
		values, err := c.readOne(ctx, d, Reference{Object: own, Property: p})
		if err != nil || len(values) != 1 {
			return
		}
		n, ok := values[0].Unsigned()
		switch {
		case !ok:
			return
		case p == maxAPDU:
			d.MaxAPDU = uint32(min(n, uint64(APDUSize(ownAPDU))))
		case p == segmentation:
			d.Segmentation = Segmentation(n)
		default:
			d.Vendor = uint32(n)
		}
	}
	c.met(d.IAm, d.Station)
}

// device returns what is known of a device, or looks for it with as many tries
// as a request has.
func (c *Client) device(ctx context.Context, instance uint32) (Device, error) {
	if d, known := c.known(instance); known {
		return d, nil
	}
	if err := c.enter(ctx, c.looking); err != nil {
		return Device{}, err
	}
	defer func() { <-c.looking }()
	heard, stop := c.hear()
	defer stop()
	if d, known := c.known(instance); known { // met while we waited
		return d, nil
	}
	alive, end := context.WithCancel(ctx)
	defer end()
	for try := 0; try <= max(0, c.options.Retries); try++ {
		if try > 0 || !c.asked(instance) {
			if err := c.whoIs(WhoIs{true, instance, instance}); err != nil {
				return Device{}, err
			}
		}
		if try == 1 && c.options.Direct && !c.options.BBMD.IsValid() {
			c.running.Go(func() { c.introduce(alive, instance) })
		}
		d, err := c.hearOf(ctx, heard, instance)
		if err == nil {
			c.keep(d)
		}
		if !errors.Is(err, ErrTimeout) {
			return d, err
		}
	}
	return Device{}, ErrTimeout
}

// hearOf waits for one device's I-Am.
func (c *Client) hearOf(ctx context.Context, heard chan Device, instance uint32) (Device, error) {
	timer := time.NewTimer(c.options.APDUTimeout)
	defer timer.Stop()
	for {
		select {
		case d := <-heard:
			if d.Instance == instance {
				return d, nil
			}
		case <-timer.C:
			return Device{}, ErrTimeout
		case <-ctx.Done():
			return Device{}, ctx.Err()
		case <-c.ctx.Done():
			return Device{}, ErrClosed
		}
	}
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
