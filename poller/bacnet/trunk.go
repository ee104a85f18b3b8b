package bacnet

import (
	"context"
	"sync"
)

// Devices behind one router often share a slow line. What is sent faster than the line
// carries waits in the router, is asked for again before its answer is here, and fills
// the line with answers that nobody needs any more, until none is in time. So each
// network behind a router has a window of requests that are under way: an answer in
// good time opens it a little, one that is late narrows it (as congestion is avoided in
// TCP, RFC 5681; the numbers are engineering choices).
const (
	firstWindow  = 4
	widestWindow = 16
	narrowing    = 0.85
)

// trunk is a network behind a router. A nil one bounds nothing.
type trunk struct {
	mu     sync.Mutex
	window float64
	inside int
	queue  []chan struct{} // who waits, first come first
}

// trunk returns the network that a station shares with others, nil if it is none.
func (c *Client) trunk(s Station) *trunk {
	if s.Network.Number == 0 {
		return nil
	}
	shared := Station{Via: s.Via, Network: Network{Number: s.Network.Number}}
	c.mu.Lock()
	defer c.mu.Unlock()
	t := c.trunks[shared]
	if t == nil {
		t = &trunk{window: firstWindow}
		c.trunks[shared] = t
	}
	return t
}

// enter waits for a place within the window; leave gives it back, once however often
// it is called.
func (t *trunk) enter(ctx context.Context, c *Client) (leave func(), err error) {
	if t == nil {
		return func() {}, nil
	}
	place := make(chan struct{})
	t.mu.Lock()
	t.queue = append(t.queue, place)
	t.admit()
	t.mu.Unlock()
	leave = sync.OnceFunc(func() { t.leave(place) })
	select {
	case <-place:
		return leave, nil
	case <-ctx.Done():
		err = ctx.Err()
	case <-c.ctx.Done():
		err = ErrClosed
	}
	leave()
	return nil, err
}

// admit lets in who waits, as far as the window goes. The caller holds the lock.
func (t *trunk) admit() {
	for len(t.queue) > 0 && t.inside < int(t.window) {
		close(t.queue[0])
		t.queue, t.inside = t.queue[1:], t.inside+1
	}
}

// leave gives a place back, or the wait for it up.
func (t *trunk) leave(place chan struct{}) {
	t.mu.Lock()
	defer t.mu.Unlock()
	for i, waits := range t.queue {
		if waits == place {
			t.queue = append(t.queue[:i], t.queue[i+1:]...)
			return
		}
	}
	t.inside--
	t.admit()
}

// answered opens the window, or narrows it where the answer was late.
func (t *trunk) answered(late bool) {
	if t == nil {
		return
	}
	t.mu.Lock()
	defer t.mu.Unlock()
	if late {
		t.window = max(1, narrowing*t.window)
		return
	}
	t.window = min(widestWindow, t.window+1/t.window)
	t.admit()
}
