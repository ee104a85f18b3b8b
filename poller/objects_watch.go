package poller

import (
	"context"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// watchLifetime is how long a subscription lasts that is not renewed.
const watchLifetime = 5 * time.Minute

// watches are the objects of a device that tell of their changes: contacts and
// settings. A nil one watches nothing.
type watches struct {
	objects map[bacnet.ObjectID]*watched
	full    time.Time // when last they were read, every one
	trying  bool      // a goroutine subscribes
	next    time.Time // when those that failed are tried again

	mu   sync.Mutex
	news map[bacnet.ObjectID]bacnet.COVNotification // since the last cycle
	ends map[bacnet.ObjectID]ending                 // of tries to subscribe, likewise
	done bool                                       // the goroutine that subscribes has ended
}

// ending is how a try to subscribe ended.
type ending struct {
	cancel func()
	err    error
}

// watched is one object.
type watched struct {
	subscribed bool
	cancel     func() // ends the subscription
	refused    bool   // it is polled
	known      bool
	state
}

// state is what an object last said of its present value.
type state struct {
	value       bacnet.Result
	flags       bacnet.StatusFlags
	reliability bacnet.Reliability
}

func (s *state) worth() reading.Quality { return bacnet.Worth(s.flags, s.reliability) }

// newWatches picks what is watched: objects of which only contacts and settings are
// read, and of them only the present value. It is nil where there are none.
func newWatches(d *device, plan *Plan) *watches {
	w := &watches{objects: make(map[bacnet.ObjectID]*watched), news: make(map[bacnet.ObjectID]bacnet.COVNotification),
		ends: make(map[bacnet.ObjectID]ending)}
	polled := make(map[bacnet.ObjectID]bool)
	for i := range d.points {
		p := &d.points[i]
		setting := p.Point >= reading.MinSpeed && p.Point <= reading.HighSpeedDelay
		if (p.Point.Contact() || setting) && p.Present() && plan.rank(p.slot) > 0 {
			w.objects[p.Object.Object] = &watched{}
		} else {
			polled[p.Object.Object] = true
		}
	}
	for object := range polled {
		delete(w.objects, object)
	}
	if len(w.objects) == 0 {
		return nil
	}
	return w
}

// has reports whether an object tells of its changes and need not be asked.
func (w *watches) has(object bacnet.ObjectID) bool {
	if w == nil {
		return false
	}
	o := w.objects[object]
	return o != nil && o.subscribed && o.known
}

// last returns what an object said last that need not be asked, or nil.
func (w *watches) last(object bacnet.ObjectID) *state {
	if !w.has(object) {
		return nil
	}
	return &w.objects[object].state
}

// askNow reports whether what is watched is to be read all the same: what was told
// may have been lost.
func (w *watches) askNow(now time.Time) bool {
	return w == nil || now.Sub(w.full) >= askWatched
}

// follow takes what was read of watched objects, and subscribes to those that are
// not yet.
func (w *watches) follow(ctx context.Context, t *talker, d *device, a *answer) {
	if a.watched {
		for object, o := range w.objects {
			r := a.get(bacnet.Reference{Object: object, Property: bacnet.PresentValue})
			known := r != nil && r.Err == nil && !a.halfSaid(object)
			if known != o.known { // what is not known is asked in the next cycle
				o.known, d.lists = known, [4]*list{}
			}
			if !known {
				continue
			}
			o.state = state{value: *r}
			if v, ok := a.value(object, bacnet.StatusFlagsOf); ok {
				o.flags, _ = v.Flags()
			}
			if v, ok := a.value(object, bacnet.ReliabilityOf); ok {
				o.reliability, _ = v.Reliability()
			}
		}
		if len(a.results) == len(a.list.all) {
			w.full = a.at
		}
	}
	var wanted []bacnet.ObjectID
	for object, o := range w.objects {
		if o.known && !o.subscribed && !o.refused {
			wanted = append(wanted, object)
		}
	}
	if len(wanted) > 0 && !w.trying && !a.at.Before(w.next) {
		w.trying = true
		t.asking.Go(func() { w.subscribe(ctx, t.objects, d.instance, wanted) })
	}
}

// subscribe subscribes to objects, one after the other.
func (w *watches) subscribe(ctx context.Context, objects Objects, device uint32, wanted []bacnet.ObjectID) {
	for _, object := range wanted {
		cancel, err := objects.Watch(ctx, device, object, true, watchLifetime, w.told)
		w.mu.Lock()
		w.ends[object] = ending{cancel, err}
		w.mu.Unlock()
		if err != nil && bacnet.Failure(err).Code == 0 {
			break // it does not answer
		}
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	w.done = true
}

// told keeps the news of an object for the next cycle.
func (w *watches) told(n bacnet.COVNotification) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.news[n.Object] = n
}

// refresh takes the news, and how subscriptions ended.
func (t *talker) refresh(d *device, now time.Time) {
	w := d.watches
	if w == nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.done {
		w.done, w.trying, w.next = false, false, now.Add(askWatched)
	}
	for object, end := range w.ends {
		o, err := w.objects[object], end.err
		o.subscribed, o.cancel, o.refused = err == nil, end.cancel, err != nil && bacnet.Failure(err).Code != 0
		if o.refused {
			t.log.Info("a device does not tell of changes of an object, which is polled like the others",
				zap.Uint32("device", d.instance), zap.Stringer("object", object), zap.Error(err))
		}
		d.lists = [4]*list{}
	}
	for object, n := range w.news {
		w.objects[object].change(n)
	}
	clear(w.ends)
	clear(w.news)
}

// change takes what an object tells. It tells no reliability: without the fault
// flag there is nothing against it (clause 12).
func (o *watched) change(n bacnet.COVNotification) {
	for _, r := range n.Values {
		switch {
		case len(r.Values) != 1:
		case r.Property == bacnet.PresentValue:
			o.value.Values = r.Values
		case r.Property == bacnet.StatusFlagsOf:
			if o.flags, _ = r.Values[0].Flags(); !o.flags.Fault {
				o.reliability = 0
			}
		}
	}
}

// forget has everything read again that is watched; gone ends the subscriptions of a
// device that has stopped answering: they would be renewed in vain.
func (w *watches) forget(gone bool) {
	if w == nil {
		return
	}
	w.full = time.Time{}
	for _, o := range w.objects {
		if gone && o.subscribed {
			o.subscribed = false
			o.cancel()
		}
	}
}
