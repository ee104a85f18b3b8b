package bacnet

import (
	"context"
	"errors"
	"sync"
	"time"
)

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

// lookup is a device that somebody waits for.
type lookup struct {
	met     chan struct{} // closed when it has said who it is
	over    bool          // it has
	waiting int
}

// expect has a device noted when it says who it is, and returns what is closed then.
func (c *Client) expect(instance uint32) (met <-chan struct{}, done func()) {
	c.mu.Lock()
	defer c.mu.Unlock()
	l := c.expected[instance]
	if l == nil || l.over {
		l = &lookup{met: make(chan struct{})}
		c.expected[instance] = l
	}
	l.waiting++
	if c.devices[instance] != nil && !l.over {
		l.over = true
		close(l.met)
	}
	return l.met, func() {
		c.mu.Lock()
		defer c.mu.Unlock()
		if l.waiting--; l.waiting == 0 && c.expected[instance] == l {
			delete(c.expected, instance)
		}
	}
}

// device returns what is known of a device, or looks for it with as many tries
// as a request has; one that was not found so is looked for with one try a time, as
// each is a broadcast that everybody hears.
func (c *Client) device(ctx context.Context, instance uint32) (Device, error) {
	if d, known := c.known(instance); known {
		return d, nil
	}
	met, done := c.expect(instance)
	defer done()
	leave := func() {}
	select {
	case c.looking <- struct{}{}:
		leave = sync.OnceFunc(func() { <-c.looking })
		defer leave()
	case <-met: // many that are silent keep nobody from being heard
	case <-ctx.Done():
		return Device{}, ctx.Err()
	case <-c.ctx.Done():
		return Device{}, ErrClosed
	}
	d, err := c.search(ctx, instance, met)
	if !errors.Is(err, ErrTimeout) {
		return d, err
	}
	leave()
	return c.hearken(ctx, instance, met)
}

// search looks for a device.
func (c *Client) search(ctx context.Context, instance uint32, met <-chan struct{}) (Device, error) {
	alive, end := context.WithCancel(ctx)
	defer end()
	tries := max(0, c.options.Retries) + 1
	if c.wasNotFound(instance) {
		tries = 1
	}
	for try := range tries {
		if d, known := c.known(instance); known {
			return d, nil
		}
		if try > 0 || !c.asked(instance) {
			if err := c.whoIs(WhoIs{true, instance, instance}); err != nil {
				return Device{}, err
			}
		}
		if try == min(1, tries-1) && c.options.Direct && !c.options.BBMD.IsValid() {
			c.running.Go(func() { c.introduce(alive, instance) })
		}
		if err := c.heed(ctx, met, c.options.APDUTimeout); err != nil && !errors.Is(err, ErrTimeout) {
			return Device{}, err
		}
	}
	if d, known := c.known(instance); known {
		return d, nil
	}
	return Device{}, ErrTimeout
}

// hearken waits for the word of a device that was looked for, as long as a request
// would wait: on a slow line what many say of themselves takes its time.
func (c *Client) hearken(ctx context.Context, instance uint32, met <-chan struct{}) (Device, error) {
	if c.wasNotFound(instance) {
		if err := c.heed(ctx, met, time.Duration(max(0, c.options.Retries))*c.options.APDUTimeout); err != nil && !errors.Is(err, ErrTimeout) {
			return Device{}, err
		}
	}
	if d, known := c.known(instance); known {
		return d, nil
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.unfound[instance] = true
	return Device{}, ErrTimeout
}

func (c *Client) wasNotFound(instance uint32) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.unfound[instance]
}

// heed waits for a device's word.
func (c *Client) heed(ctx context.Context, met <-chan struct{}, limit time.Duration) error {
	timer := time.NewTimer(limit)
	defer timer.Stop()
	select {
	case <-met:
		return nil
	case <-timer.C:
		return ErrTimeout
	case <-ctx.Done():
		return ctx.Err()
	case <-c.ctx.Done():
		return ErrClosed
	}
}
