package poller

import (
	"errors"
	"fmt"

	"fanwarden/poller/reading"
)

// ErrLent is the error of a gateway that somebody else has already.
var ErrLent = errors.New("it is lent to somebody else already; wait until that is over")

// Lend leaves a gateway to somebody else: its polling stops, its connection is
// closed, and nothing of it is read until back is called, which may be done more
// than once. Many gateways take one connection only. Lend returns when the
// request under way has ended; a reload in the meantime counts from back on.
func (p *Poller) Lend(id reading.GatewayID) (back func(), err error) {
	p.lock.Lock()
	defer p.lock.Unlock()
	switch {
	case p.lent[id] != nil:
		return nil, ErrLent
	case p.running[id] == nil:
		return nil, fmt.Errorf("there is no gateway %q in the fleet file that the daemon has loaded", id)
	}
	r := p.stop(func(r *running) bool { return r.plan.Gateway.ID == id })[id]
	p.lent[id] = r
	return func() { p.takeBack(id, r) }, nil
}

// takeBack polls a gateway again that was lent, by what the fleet file says now.
func (p *Poller) takeBack(id reading.GatewayID, r *running) {
	p.lock.Lock()
	defer p.lock.Unlock()
	if p.lent[id] != r {
		return
	}
	delete(p.lent, id)
	plan := p.wanted[id]
	if plan == nil { // it left the fleet, or the poller has stopped
		return
	}
	back := p.pollingOf(plan)
	back.inherit(r)
	p.begin([]*running{back})
}
