package bacnet

import (
	"context"
	"time"
)

// watch is one subscription to changes of value.
type watch struct {
	device uint32
	object ObjectID
	tell   func(COVNotification)
}

// Watch subscribes to changes of an object and keeps the subscription alive:
// it is renewed at half its lifetime (1 s or more), and a renewal that fails is
// tried again after an APDU time-out, and less and less often. tell is called by the client's only
// listener and must not block. cancel ends it; the device is then told once.
func (c *Client) Watch(ctx context.Context, device uint32, object ObjectID, confirmed bool, lifetime time.Duration,
	tell func(COVNotification)) (cancel func(), err error) {
	c.mu.Lock()
	c.nextProc++
	s := SubscribeCOV{Process: c.nextProc, Object: object, Confirmed: confirmed, Lifetime: uint32(max(1, lifetime/time.Second))}
	c.watches[s.Process] = &watch{device, object, tell}
	c.mu.Unlock()
	if err := c.subscribe(ctx, device, s); err != nil {
		c.unwatch(s.Process)
		return nil, err
	}
	alive, stop := context.WithCancel(c.ctx)
	c.running.Go(func() { c.renew(alive, device, s) })
	return stop, nil
}

func (c *Client) subscribe(ctx context.Context, device uint32, s SubscribeCOV) error {
	d, err := c.device(ctx, device)
	if err != nil {
		return err
	}
	_, err = c.request(ctx, d.Station, ServiceSubscribeCOV, s.Append(nil))
	return err
}

// unsubscribe tells a device, if it is known where, that it need not tell any more.
// One that does not hear it lets the subscription lapse.
func (c *Client) unsubscribe(device uint32, s SubscribeCOV) {
	if d, known := c.known(device); known {
		s.Cancel = true
		c.request(c.ctx, d.Station, ServiceSubscribeCOV, s.Append(nil))
	}
}

// farewell ends all subscriptions and waits for no answer: one that is lost lapses.
// Without it whoever often comes and goes fills the lists of devices, which are short.
func (c *Client) farewell() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for process, w := range c.watches {
		d := c.devices[w.device]
		if d == nil || c.lines[d.Station] == nil || c.gone(d.Station) {
			continue
		}
		l := c.lines[d.Station]
		l.next++
		s := SubscribeCOV{Process: process, Object: w.object, Cancel: true}
		c.send(APDU{Type: ConfirmedRequest, MaxAPDU: ownAPDU, InvokeID: l.next, Service: ServiceSubscribeCOV, Data: s.Append(nil)}, d.Station, true)
	}
}

func (c *Client) unwatch(process uint32) {
	c.mu.Lock()
	defer c.mu.Unlock()
	delete(c.watches, process)
}

// renew keeps a subscription until it is cancelled.
func (c *Client) renew(ctx context.Context, device uint32, s SubscribeCOV) {
	defer c.unwatch(s.Process)
	half := time.Duration(s.Lifetime) * time.Second / 2
	wait, again := half, c.options.APDUTimeout
	for {
		timer := time.NewTimer(wait)
		select {
		case <-timer.C:
		case <-ctx.Done():
			timer.Stop()
			c.unsubscribe(device, s)
			return
		}
		if c.subscribe(ctx, device, s) == nil {
			wait, again = half, c.options.APDUTimeout
			continue
		}
		wait, again = min(half, again), min(half, 2*again) // a device that is gone is not to be asked all the time
	}
}

// changed tells of a change to whom it is for.
func (c *Client) changed(n COVNotification) {
	c.mu.Lock()
	w := c.watches[n.Process]
	c.mu.Unlock()
	if w != nil && w.object == n.Object && n.Device == (ObjectID{DeviceObject, w.device}) {
		w.tell(n)
	}
}
