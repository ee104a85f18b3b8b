package poller

import (
	"context"
	"errors"
	"slices"
	"sync"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Poller polls a fleet: one goroutine a gateway, because one line holds one
// conversation at a time.
type Poller struct {
	dial Dial
	open Open
	sink Sink
	log  *zap.Logger

	lock    sync.Mutex
	wanted  map[reading.GatewayID]*Plan // of the fleet that is polled
	running map[reading.GatewayID]*running
	lent    map[reading.GatewayID]*running // stopped for as long as somebody else has the gateway
}

// polling is what reads one gateway: a worker, or a talker.
type polling interface {
	run(ctx context.Context)
}

// running is one of them at work.
type running struct {
	polling
	plan  *Plan
	stop  context.CancelFunc
	ended chan struct{}
}

// New returns a poller that reads nothing yet. Every cycle of every gateway
// goes to sink.
func New(dial Dial, sink Sink, log *zap.Logger) *Poller {
	return &Poller{dial: dial, open: noBACnet, sink: sink, log: log, running: map[reading.GatewayID]*running{}, lent: map[reading.GatewayID]*running{}}
}

func noBACnet(context.Context, *config.Gateway) (Objects, error) {
	return nil, &reading.Failure{Outcome: reading.Refused, Err: errors.New("this program reads no BACnet gateways")}
}

// Through says how the conversation with BACnet devices is opened; it must be said
// before a fleet that has any is polled.
func (p *Poller) Through(open Open) *Poller {
	p.open = open
	return p
}

// Start begins to poll a fleet.
func (p *Poller) Start(fleet *config.Fleet) { p.Reload(fleet, func() {}) }

// Reload polls another fleet from now on. The workers of gateways whose own
// settings, fans and point maps are the same go on undisturbed. The others are
// stopped, which takes up to the timeout of a request, before new ones start.
// In between, swap is called, so that what was read by the old file is never
// judged by the new one.
func (p *Poller) Reload(fleet *config.Fleet, swap func()) {
	p.lock.Lock()
	defer p.lock.Unlock()
	p.wanted = map[reading.GatewayID]*Plan{}
	for _, plan := range plans(fleet) {
		p.wanted[plan.Gateway.ID] = plan
	}
	stopped := p.stop(func(r *running) bool {
		plan := p.wanted[r.plan.Gateway.ID]
		return plan == nil || !same(r.plan, plan)
	})
	swap()
	var starting []*running
	for id, plan := range p.wanted {
		if p.running[id] == nil && p.lent[id] == nil {
			r := p.pollingOf(plan)
			for _, before := range stopped {
				r.inherit(before)
			}
			starting = append(starting, r)
		}
	}
	p.begin(starting)
}

// pollingOf lays out the polling of one gateway.
func (p *Poller) pollingOf(plan *Plan) *running {
	r := &running{plan: plan}
	if plan.Gateway.BACnet() {
		r.polling = newTalker(plan, p.open, p.sink, p.log)
	} else {
		r.polling = newWorker(plan, p.dial, p.sink, p.log)
	}
	return r
}

// inherit takes over what must outlive the polling of one gateway.
func (r *running) inherit(before *running) {
	switch now := r.polling.(type) {
	case *worker:
		if was, same := before.polling.(*worker); same {
			now.inherit(was)
		}
	case *talker:
		if was, same := before.polling.(*talker); same {
			now.inherit(was)
		}
	}
}

// begin starts workers. Serial lines are opened before anything else: what such
// a line waits with cannot hold a descriptor beyond 1023, and the many
// connections of a large fleet would use those up.
func (p *Poller) begin(starting []*running) {
	for _, r := range starting {
		if w, line := r.polling.(*worker); line && w.gateway.Scheme == "rtu" && len(w.units) > 0 {
			w.line.connect(context.Background(), dialLimit)
		}
	}
	for _, r := range starting {
		ctx, stop := context.WithCancel(context.Background())
		r.stop, r.ended = stop, make(chan struct{})
		p.running[r.plan.Gateway.ID] = r
		go func() {
			defer close(r.ended)
			r.run(ctx)
		}()
	}
}

// Stop ends all polling. It returns when every worker has ended, which takes up
// to the timeout of a request. A dial that a worker has given up may live on in
// the session's library (5 s at most, 15 s for TLS); what it opens is closed.
func (p *Poller) Stop() {
	p.lock.Lock()
	defer p.lock.Unlock()
	p.stop(func(*running) bool { return true })
	p.wanted = nil // what is lent is not taken back any more
}

// stop ends some of the workers, all at once, and returns them.
func (p *Poller) stop(which func(*running) bool) map[reading.GatewayID]*running {
	stopped := map[reading.GatewayID]*running{}
	for id, r := range p.running {
		if which(r) {
			r.stop()
			stopped[id] = r
			delete(p.running, id)
		}
	}
	for _, r := range stopped {
		<-r.ended
	}
	return stopped
}

// plans returns the plan of every gateway. One without fans has cycles too,
// which ask nobody.
func plans(fleet *config.Fleet) []*Plan {
	fans := map[reading.GatewayID][]*config.Fan{}
	for _, fan := range fleet.Fans {
		fans[fan.Gateway.ID] = append(fans[fan.Gateway.ID], fan)
	}
	var all []*Plan
	for _, gateway := range fleet.Gateways {
		all = append(all, PlanGateway(gateway, fans[gateway.ID]))
	}
	return all
}

// same reports whether two plans read the same things in the same way. How the
// readings are judged is no part of it.
func same(a, b *Plan) bool {
	return a.Gateway.SamePolling(b.Gateway) && slices.EqualFunc(a.Fans, b.Fans, (*config.Fan).SamePolling)
}
