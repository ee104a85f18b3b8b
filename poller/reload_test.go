package poller_test

import (
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// fleetFor builds the same fleet anew, as loading a file twice does.
func fleetFor(change func(gateways []*config.Gateway, fans []*config.Fan)) *config.Fleet {
	var gateways []*config.Gateway
	var fans []*config.Fan
	for i := range 3 {
		g := newGateway("tcp", fmt.Sprint(i))
		g.ID = reading.GatewayID(fmt.Sprint("gateway-", i))
		gateways, fans = append(gateways, g), append(fans, newFan(g, 1, 0))
	}
	change(gateways, fans)
	return fleetOf(fans...)
}

// Reloading keeps the connections of the gateways that stay the same.
func TestReloadKeepsWhatIsUnchanged(t *testing.T) {
	same := func([]*config.Gateway, []*config.Fan) {}
	tests := []struct {
		name   string
		change func([]*config.Gateway, []*config.Fan)
		dials  int // more than the first three
	}{
		{"nothing", same, 0},
		{"how a fan is judged", func(_ []*config.Gateway, f []*config.Fan) { f[1].Rules = condition.Defaults() }, 0},
		{"a timeout", func(g []*config.Gateway, _ []*config.Fan) { g[0].Timeout = time.Second }, 1},
		{"an address", func(_ []*config.Gateway, f []*config.Fan) { f[1].Points[0].Address = 7 }, 1},
		{"a scale", func(_ []*config.Gateway, f []*config.Fan) { f[1].Points[0].Encoding.Scale = 2 }, 1},
		{"two gateways", func(g []*config.Gateway, _ []*config.Fan) { g[0].MaxGap, g[2].Pause = 3, time.Millisecond }, 2},
	}
	for _, test := range tests {
		f := &fake{t: t}
		synctest.Test(t, func(t *testing.T) {
			p := poller.New(f.dial, func(*poller.Cycle) {}, zap.NewNop())
			p.Start(fleetFor(same))
			time.Sleep(20 * time.Second)
			p.Reload(fleetFor(test.change), func() {})
			time.Sleep(20 * time.Second)
			p.Stop()
		})
		if more := len(f.dials) - 3; more != test.dials || f.open != f.closed {
			t.Errorf("%s: %d new connections, want %d; %d opened, %d closed", test.name, more, test.dials, f.open, f.closed)
		}
	}
}

// Serial lines are opened before the many connections of a large fleet, which
// would take the low descriptors that they need.
func TestSerialLinesAreOpenedFirst(t *testing.T) {
	var fans []*config.Fan
	for i, scheme := range []string{"tcp", "rtuovertcp", "tcp", "rtu", "udp", "rtu"} {
		g := newGateway(scheme, "")
		g.ID = reading.GatewayID(fmt.Sprint(scheme, i))
		fans = append(fans, newFan(g, 1, 0))
	}
	f := &fake{t: t}
	synctest.Test(t, func(t *testing.T) {
		p := poller.New(f.dial, func(*poller.Cycle) {}, zap.NewNop())
		p.Start(fleetOf(fans...))
		if n := len(f.dials); n != 2 {
			t.Errorf("%d connections when the polling begins; want those of the 2 serial lines", n)
		}
		p.Stop()
	})
}

// A gateway that has gone from the file is polled no more, and a new one is.
func TestReloadAddsAndRemoves(t *testing.T) {
	f := &fake{t: t}
	synctest.Test(t, func(t *testing.T) {
		seen := make(chan reading.GatewayID, 1000)
		p := poller.New(f.dial, func(c *poller.Cycle) { seen <- c.Gateway }, zap.NewNop())
		p.Start(fleetFor(func([]*config.Gateway, []*config.Fan) {}))
		time.Sleep(6 * time.Second)
		p.Reload(fleetFor(func(g []*config.Gateway, _ []*config.Fan) { g[0].ID = "gateway-new" }), func() {})
		for len(seen) > 0 {
			<-seen
		}
		time.Sleep(6 * time.Second)
		p.Stop()
		now := map[reading.GatewayID]bool{}
		for len(seen) > 0 {
			now[<-seen] = true
		}
		if now["gateway-0"] || !now["gateway-new"] || !now["gateway-1"] || !now["gateway-2"] {
			t.Errorf("polled after the reload: %v", now)
		}
	})
}

// A reload does not make the poller forget that an answer may still come, not
// even if it gives the gateway another id or another name for its address.
func TestReloadKeepsTheQuiet(t *testing.T) {
	reloadKeepsTheQuiet(t, "g", "a")
	reloadKeepsTheQuiet(t, "renamed", "a")
	reloadKeepsTheQuiet(t, "g", "a.example")
}

func reloadKeepsTheQuiet(t *testing.T, id reading.GatewayID, address string) {
	t.Helper()
	g := newGateway("rtuovertcp", "")
	f := &fake{t: t, answer: silentUnits(g.Timeout, 1)}
	synctest.Test(t, func(t *testing.T) {
		p := poller.New(f.dial, func(*poller.Cycle) {}, zap.NewNop())
		fleet := func(gap int, id reading.GatewayID, address string) *config.Fleet {
			g := newGateway("rtuovertcp", address)
			g.ID, g.PollEvery, g.MaxGap, g.LateReply = id, 10*time.Millisecond, gap, time.Minute
			return fleetOf(newFan(g, 1, 0))
		}
		p.Start(fleet(0, "g", "a"))
		time.Sleep(2 * g.Timeout)
		p.Reload(fleet(1, id, address), func() {})
		time.Sleep(2 * time.Minute)
		p.Stop()
	})
	if apart := f.dials[1].Sub(f.dials[0]); apart < time.Minute {
		t.Errorf("the new worker connected %v after the old one, and an answer may be a minute late", apart)
	}
}

// Stopping waits for no more than the request that is under way.
func TestStopIsBoundedByTheTimeout(t *testing.T) {
	g := newGateway("tcp", "")
	f := &fake{t: t, answer: silentUnits(g.Timeout, 1, 2, 3)}
	synctest.Test(t, func(t *testing.T) {
		p := poller.New(f.dial, func(*poller.Cycle) {}, zap.NewNop())
		p.Start(fleetOf(fansOf(g, 3)...))
		for len(f.requests()) == 0 {
			time.Sleep(time.Millisecond)
		}
		begin := time.Now()
		p.Stop()
		if took := time.Since(begin); took > g.Timeout {
			t.Errorf("stopping took %v", took)
		}
	})
}

// A reload makes nobody forget which units are dead: their neighbours keep
// their period, the dead ones are tried after them, and nothing is logged
// twice.
func TestReloadKeepsWhoIsDead(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		fleet := func(gap int) *config.Fleet {
			g := newGateway(scheme, "")
			g.MaxGap = gap
			return fleetOf(fansOf(g, 32)...)
		}
		f := &fake{t: t, answer: silentUnits(800*time.Millisecond, 1, 2, 3, 4, 5, 28, 29, 30, 31, 32)}
		core, logged := observer.New(zapcore.InfoLevel)
		synctest.Test(t, func(t *testing.T) {
			var lock sync.Mutex
			reloaded := false
			p := poller.New(f.dial, func(c *poller.Cycle) {
				lock.Lock()
				defer lock.Unlock()
				for _, r := range c.Readings[5:27] {
					if reloaded && r.Outcome != reading.OK {
						t.Errorf("%s: %s is %s after the reload", scheme, r.Fan, r.Outcome)
					}
				}
				if reloaded && c.Missed > 0 {
					t.Errorf("%s: %d cycles missed after the reload", scheme, c.Missed)
				}
			}, zap.New(core))
			p.Start(fleet(0))
			time.Sleep(10 * time.Minute)
			p.Reload(fleet(1), func() { reloaded = true })
			f.requests()
			time.Sleep(time.Minute)
			p.Stop()
		})
		tried := map[int]bool{}
		for _, a := range f.requests() {
			tried[a.unit] = true
		}
		if len(tried) != 32 {
			t.Errorf("%s: %d units were asked in the minute after the reload; want 32", scheme, len(tried))
		}
		if logged.Len() != 10 {
			t.Errorf("%s: %d lines logged; want one for each of 10 silent units", scheme, logged.Len())
		}
	}
}

// A gateway that is away stays so over a reload: it is tried again when that is
// due, and its loss is logged once, under whatever id it has then.
func TestReloadKeepsThatAGatewayIsAway(t *testing.T) {
	f := &fake{t: t, reach: func() (time.Duration, *reading.Failure) { return 0, failure(reading.Refused) }}
	core, logged := observer.New(zapcore.InfoLevel)
	synctest.Test(t, func(t *testing.T) {
		p := poller.New(f.dial, func(*poller.Cycle) {}, zap.New(core))
		for i := range 4 {
			g := newGateway("tcp", "")
			g.ID = reading.GatewayID(fmt.Sprint("gateway-", i/2))
			g.MaxGap = i
			p.Reload(fleetOf(newFan(g, 1, 0)), func() {})
			time.Sleep(time.Minute)
		}
		p.Stop()
	})
	if logged.Len() != 1 {
		t.Errorf("logged %v", logged.All())
	}
	for i := 1; i < len(f.dials); i++ {
		if apart := f.dials[i].Sub(f.dials[i-1]); apart > 10*time.Second {
			t.Errorf("tries %v apart", apart)
		}
	}
}

// A reload does not forget in which parts a device answers, for fans that
// have moved in the file as well.
func TestReloadKeepsTheParts(t *testing.T) {
	f := &fake{t: t, answer: missing(2, 5)}
	core, logged := observer.New(zapcore.InfoLevel)
	synctest.Test(t, func(t *testing.T) {
		var lock sync.Mutex
		p := poller.New(f.dial, func(c *poller.Cycle) {
			lock.Lock()
			defer lock.Unlock()
			for _, r := range c.Readings {
				want := map[reading.FanID]float64{"first": 1<<8 | 1, "second": 1<<8 | 11}[r.Fan]
				if speed, _ := r.Get(reading.Speed); r.Outcome != reading.OK || speed != want {
					t.Errorf("%s: %s, speed %v; want %v", r.Fan, r.Outcome, speed, want)
				}
			}
		}, zap.New(core))
		fleet := func(timeout time.Duration, second bool) *config.Fleet {
			g := newGateway("tcp", "")
			g.MaxGap, g.Timeout = 10, timeout
			fans := []*config.Fan{newFan(g, 1, 0), newFan(g, 1, 10)}
			fans[0].ID, fans[1].ID = "first", "second"
			if second {
				fans[0], fans[1] = fans[1], fans[0]
			}
			return fleetOf(fans...)
		}
		p.Start(fleet(time.Second, false))
		time.Sleep(time.Minute)
		p.Reload(fleet(2*time.Second, true), func() {})
		f.requests()
		time.Sleep(time.Minute)
		p.Stop()
	})
	for _, a := range f.requests() {
		if a.count != 2 {
			t.Errorf("asked for %d+%d after the reload; the device answers for the parts", a.address, a.count)
		}
	}
	if logged.Len() != 1 {
		t.Errorf("%d lines logged; want 1", logged.Len())
	}
}
