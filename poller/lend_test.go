package poller_test

import (
	"errors"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
)

// A gateway that is lent is not read and has no connection; the others go on,
// and it is read again once it is back.
func TestLend(t *testing.T) {
	same := func([]*config.Gateway, []*config.Fan) {}
	f := &fake{t: t}
	synctest.Test(t, func(t *testing.T) {
		var lock sync.Mutex
		cycles := map[reading.GatewayID]int{}
		p := poller.New(f.dial, func(c *poller.Cycle) {
			lock.Lock()
			defer lock.Unlock()
			cycles[c.Gateway]++
		}, zap.NewNop())
		count := func(id reading.GatewayID) int {
			lock.Lock()
			defer lock.Unlock()
			return cycles[id]
		}
		p.Start(fleetFor(same))
		time.Sleep(20 * time.Second)
		back, err := p.Lend("gateway-1")
		if err != nil || f.open-f.closed != 2 {
			t.Fatalf("%v; %d connections are open, want 2", err, f.open-f.closed)
		}
		if _, err := p.Lend("gateway-1"); !errors.Is(err, poller.ErrLent) {
			t.Errorf("lent twice: %v", err)
		}
		if _, err := p.Lend("gateway-9"); err == nil {
			t.Error("a gateway was lent that is not there")
		}
		lent, other := count("gateway-1"), count("gateway-0")
		time.Sleep(time.Minute)
		if count("gateway-1") != lent || count("gateway-0") == other {
			t.Errorf("the lent one had %d cycles more, the other %d", count("gateway-1")-lent, count("gateway-0")-other)
		}
		p.Reload(fleetFor(func(g []*config.Gateway, _ []*config.Fan) { g[1].Timeout = time.Second }), func() {})
		time.Sleep(20 * time.Second)
		if count("gateway-1") != lent {
			t.Error("a reload took the gateway back that is lent")
		}
		back()
		back()
		time.Sleep(20 * time.Second)
		if count("gateway-1") == lent || f.open-f.closed != 3 {
			t.Errorf("%d cycles after it came back; %d connections are open, want 3", count("gateway-1")-lent, f.open-f.closed)
		}
		p.Stop()
	})
	if f.open != f.closed {
		t.Errorf("%d opened, %d closed", f.open, f.closed)
	}
}

// What is lent when the poller stops, or when its gateway leaves the fleet, is not
// polled again.
func TestLendOutlived(t *testing.T) {
	f := &fake{t: t}
	synctest.Test(t, func(t *testing.T) {
		p := poller.New(f.dial, func(*poller.Cycle) {}, zap.NewNop())
		whole := fleetFor(func([]*config.Gateway, []*config.Fan) {})
		p.Start(whole)
		left, _ := p.Lend("gateway-2")
		p.Reload(fleetOf(slices.Clone(whole.Fans[:2])...), func() {})
		left()
		stopped, _ := p.Lend("gateway-0")
		p.Stop()
		stopped()
		time.Sleep(time.Minute)
	})
	if f.open != f.closed {
		t.Errorf("%d opened, %d closed", f.open, f.closed)
	}
}
