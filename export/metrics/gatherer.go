package metrics

import (
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"

	"fanwarden/export"
)

// Gatherer turns the fleet's snapshot into metric families. Its messages are
// used again at every scrape, so one scrape holds it from Gather until done is
// called and the next one waits.
type Gatherer struct {
	snapshot func() *export.Snapshot
	now      func() time.Time
	done     func()

	scrape sync.Mutex // held from Gather to done
	layout *layout
	text   []byte // room for a part of the text
}

var _ prometheus.TransactionalGatherer = (*Gatherer)(nil)

// New returns a gatherer over the snapshot that is current at each scrape; it
// may be nil as long as there is none, and then there are no metrics. Whether
// a value is stale is decided by the time that now tells.
func New(snapshot func() *export.Snapshot, now func() time.Time) *Gatherer {
	g := &Gatherer{snapshot: snapshot, now: now}
	g.done = g.scrape.Unlock // kept, because a method value made anew is an allocation
	return g
}

// Gather returns the families in the order of their names. They may be read
// until done is called, which must happen exactly once. It never fails.
func (g *Gatherer) Gather() (families []*dto.MetricFamily, done func(), err error) {
	g.scrape.Lock()
	s := g.snapshot()
	if s == nil {
		return nil, g.done, nil
	}
	return g.lay(s).fill(s, g.now()), g.done, nil
}

// lay returns the layout of a snapshot's fleet.
func (g *Gatherer) lay(s *export.Snapshot) *layout {
	if g.layout == nil || g.layout.fleet != s.Fleet {
		g.layout = newLayout(s)
	}
	return g.layout
}
