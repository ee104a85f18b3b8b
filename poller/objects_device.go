package poller

import (
	"context"
	"slices"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// Once in so long the units of a device's objects are read again, and what it had
// refused is asked for again; what its objects tell when they change is read.
const (
	askUnits   = time.Hour
	askWatched = time.Minute
)

// device is one BACnet device and how it fares.
type device struct {
	instance uint32
	points   []objectPoint // of the points that a fan cannot do without come first
	lacks    map[bacnet.Reference]bool
	units    map[bacnet.ObjectID]bacnet.EngineeringUnits
	fresh    map[bacnet.ObjectID]bool  // whose unit was asked for since that was due
	worths   map[bacnet.ObjectID]worth // what was last said of objects
	warned   map[wrongUnit]bool
	unitsDue time.Time
	watches  *watches
	lists    [4]*list // what it is asked, with and without units and what is watched; nil: to be listed

	failures int // cycles or probes in a row that it did not answer; 0: healthy
	failure  *reading.Failure
	since    time.Time
	due      time.Time
	told     bool

	asking  bool // a request is under way
	awaited bool // and the cycle waits for it
	heard   bool // in this cycle
}

// worth is what a value was worth when its object last said all that it was asked.
type worth struct {
	reading.Quality
	at time.Time
}

// objectPoint is a point of a fan, or of the gateway, in a device.
type objectPoint struct {
	slot
	stated bool // units are held against the map
}

// answer is what a device was asked and what it said.
type answer struct {
	device  *device
	list    *list
	results []bacnet.Result // of the first of them
	err     error
	tried   time.Time
	at      time.Time
	units   bool // they were asked for too
	watched bool // what is told on changes was asked for too
}

// layOut sorts the points of a plan by devices.
func layOut(plan *Plan) (devices []*device) {
	for _, s := range plan.slots() {
		instance := uint32(s.Unit)
		i, found := slices.BinarySearchFunc(devices, instance, func(d *device, n uint32) int { return int(d.instance) - int(n) })
		if !found {
			devices = slices.Insert(devices, i, &device{instance: instance, lacks: make(map[bacnet.Reference]bool),
				units: make(map[bacnet.ObjectID]bacnet.EngineeringUnits), fresh: make(map[bacnet.ObjectID]bool),
				worths: make(map[bacnet.ObjectID]worth), warned: make(map[wrongUnit]bool)})
		}
		devices[i].points = append(devices[i].points, objectPoint{slot: s, stated: s.Stated()})
	}
	for _, d := range devices {
		slices.SortStableFunc(d.points, func(a, b objectPoint) int { return plan.rank(a.slot) - plan.rank(b.slot) })
		if plan.Gateway.COV {
			d.watches = newWatches(d, plan)
		}
	}
	return devices
}

// rank orders points: what a device does not get to say is to be what its fans can
// do without.
func (p *Plan) rank(s slot) int {
	if s.fan != everyFan && essential(p.Fans[s.fan], s.Point) {
		return 0
	}
	return 1
}

// list is what a device is asked, and where each property stands in it.
type list struct {
	all []bacnet.Reference
	at  map[bacnet.Reference]int
}

// asks returns what the device is asked for now.
func (d *device) asks(units, watched bool) *list {
	i := 0
	if units {
		i = 1
	}
	if watched {
		i += 2
	}
	if d.lists[i] == nil {
		d.lists[i] = d.properties(units, watched)
	}
	return d.lists[i]
}

// properties lists each property once, and those of one object next to each other.
func (d *device) properties(units, watched bool) *list {
	l := &list{at: make(map[bacnet.Reference]int)}
	add := func(p bacnet.Reference) {
		if _, listed := l.at[p]; !listed && !d.lacks[p] {
			l.at[p] = len(l.all)
			l.all = append(l.all, p)
		}
	}
	for i := range d.points {
		p := &d.points[i]
		if !watched && d.watches.has(p.Object.Object) {
			continue
		}
		add(p.Object)
		if p.Present() {
			add(bacnet.Reference{Object: p.Object.Object, Property: bacnet.StatusFlagsOf})
			add(bacnet.Reference{Object: p.Object.Object, Property: bacnet.ReliabilityOf})
		}
		if units && p.stated && !d.fresh[p.Object.Object] {
			add(bacnet.Reference{Object: p.Object.Object, Property: bacnet.UnitsOf})
		}
	}
	return l
}

// probing reports whether the device has been silent for so long that no cycle
// waits for it any more. One that failed once may have lost its answers by chance.
func (d *device) probing() bool { return d.failures > 1 }

// gone reports whether the device has been silent for longer than lost datagrams
// make believable. Until then it is tried in every period, and what is known of it
// stands.
func (d *device) gone() bool { return d.failures > secondTries }

// askHealthy asks every device that is waited for.
func (t *talker) askHealthy(ctx context.Context) {
	for _, d := range t.devices {
		if !d.probing() {
			t.ask(ctx, d, t.until)
		}
		if d.asking && !d.probing() {
			d.awaited = true
			t.waiting++
		}
	}
}

// ask asks a device for everything, beside all others.
func (t *talker) ask(ctx context.Context, d *device, until time.Time) {
	if d.asking || t.objects == nil {
		return
	}
	now := time.Now()
	d.asking = true
	t.refresh(d, now)
	// One that was silent may be another device by now, with other units.
	a := answer{device: d, tried: now, units: d.gone() || !now.Before(d.unitsDue), watched: d.watches.askNow(now)}
	if a.units && len(d.fresh) == 0 && len(d.lacks) > 0 { // it may have them by now
		clear(d.lacks)
		d.lists = [4]*list{}
	}
	a.list = d.asks(a.units, a.watched)
	objects := t.objects
	t.asking.Go(func() {
		bounded, cancel := context.WithDeadline(ctx, until)
		defer cancel()
		for all := a.list.all; len(a.results) < len(all); {
			got, err := objects.ReadAll(bounded, d.instance, all[len(a.results):])
			a.results, a.err = append(a.results, got...), err
			if err != nil && (len(got) == 0 || bounded.Err() != nil) {
				break // what was lost on the way is asked for again as long as there is progress
			}
		}
		a.at = time.Now()
		select {
		case t.answers <- a:
		case <-ctx.Done():
		}
	})
}

// probe asks the silent devices that are due.
func (t *talker) probe(ctx context.Context, now time.Time) {
	if t.objects == nil {
		return
	}
	hurried, at := t.hurried()
	for _, d := range t.devices {
		if d.probing() && !d.asking && (!now.Before(d.due) || d == hurried && !now.Before(at)) {
			t.tried = now
			t.ask(ctx, d, now.Add(probeTries*t.gateway.Timeout))
		}
	}
}

// probeTries is how many time-outs a probe may take: four to find the device, and
// four to be answered by it.
const probeTries = 8

// hurried is the device that is asked before it is due, and when, since where nobody
// answers somebody is asked at least every 10 s; nil: there is none.
func (t *talker) hurried() (*device, time.Time) {
	if !t.nobody() {
		return nil, time.Time{}
	}
	return t.first(), t.tried.Add(muteRetry)
}

// nobody reports whether no device answers.
func (t *talker) nobody() bool {
	return !slices.ContainsFunc(t.devices, func(d *device) bool { return !d.probing() })
}

// first returns the silent device that is due first.
func (t *talker) first() (first *device) {
	for _, d := range t.devices {
		if !d.asking && (first == nil || d.due.Before(first.due)) {
			first = d
		}
	}
	return first
}

// nextProbe is when the next silent device is due, or the conversation is to be
// opened.
func (t *talker) nextProbe() time.Time {
	next := time.Now().Add(muteRetry)
	switch {
	case len(t.devices) == 0:
		return next
	case t.objects == nil && t.opening:
		return time.Now().Add(dialLimit)
	case t.objects == nil:
		return t.retry
	}
	if d, at := t.hurried(); d != nil && at.Before(next) {
		next = at
	}
	for _, d := range t.devices {
		if d.probing() && !d.asking && d.due.Before(next) {
			next = d.due
		}
	}
	return next
}

// allDue makes every silent device due, one after the other: the trouble may be over
// for all of them, and they may share a slow line.
func (t *talker) allDue(now time.Time) {
	for _, d := range t.devices {
		if d.due.After(now) {
			d.due = now
		}
		if d.probing() && !d.asking {
			now = now.Add(t.gateway.Timeout / 4)
		}
	}
}

// take takes what a device said, or that it said nothing.
func (t *talker) take(ctx context.Context, a answer) {
	d := a.device
	d.asking = false
	if d.awaited {
		d.awaited = false
		t.waiting--
	}
	if len(a.results) == 0 && a.err != nil {
		t.unanswered(d, bacnet.Failure(a.err), a.tried)
		return
	}
	t.answered(d, a.at)
	t.hear(d, &a)
	if a.units && len(a.results) == len(a.list.all) {
		d.unitsDue = a.at.Add(askUnits)
		clear(d.fresh)
		d.lists = [4]*list{} // those that were made meanwhile ask for fewer units
	}
	if d.watches != nil {
		d.watches.follow(ctx, t, d, &a)
	}
}

// answered notes that a device lives.
func (t *talker) answered(d *device, at time.Time) {
	d.heard = true
	if d.failures == 0 {
		return
	}
	if d.told && !t.mute {
		t.log.Info("device answers again", zap.Uint32("device", d.instance),
			zap.Duration("silent_for", at.Sub(d.since).Round(time.Second)))
	}
	if t.mute {
		t.mute = false
		t.log.Info("devices answer again", zap.Duration("silent_for", at.Sub(d.since).Round(time.Second)))
		for _, other := range t.devices {
			other.told = false
		}
	}
	if d.probing() {
		t.allDue(at)
	}
	d.failures, d.told = 0, false
}

// unanswered notes that a device did not answer, and sets its next try.
func (t *talker) unanswered(d *device, failure *reading.Failure, tried time.Time) {
	if d.failures == 0 {
		d.since = tried
	}
	d.failures++
	d.failure = failure
	d.watches.forget(d.probing())
	if d.probing() {
		d.lists = [4]*list{}
	}
	d.due = tried.Add(wait(max(1, d.failures-secondTries), t.gateway.PollEvery))
	if d.gone() { // and what comes back may be another device
		clear(d.fresh)
		clear(d.worths)
		clear(d.units)
	}
	if d.gone() && t.objects != nil {
		t.objects.Forget(d.instance) // it may have moved to another address
	}
}

// settle gives the points of a device that was not heard in a cycle their outcome.
func (t *talker) settle(d *device, now time.Time) {
	if d.heard {
		return
	}
	outcome := reading.Timeout
	switch {
	case t.objects == nil && t.lost != nil:
		outcome = t.lost.Outcome
	case d.failures > 0:
		outcome = d.failure.Outcome
	}
	for i := range d.points {
		t.failSlot(&d.points[i].slot, outcome, true)
	}
	d.awaited = false // what comes after the cycle comes too late for it
}

// tell logs which devices are silent, once; where all are, in one line.
func (t *talker) tell() {
	if t.objects == nil || t.mute {
		return
	}
	if len(t.devices) > 1 && t.nobody() {
		t.mute = true
		t.log.Warn("no device answers; they are tried less and less often, one at least every 10 s",
			zap.Int("devices", len(t.devices)), zap.Error(t.devices[0].failure))
		return
	}
	for _, d := range t.devices {
		if d.probing() && !d.told {
			d.told = true
			t.log.Warn("device does not answer; it is tried less and less often, at most every 30 s where the period allows",
				zap.Uint32("device", d.instance), zap.Error(d.failure))
		}
	}
}

// inherit takes over who is silent.
func (t *talker) inherit(before *talker) {
	if t.gateway.Address != before.gateway.Address {
		return
	}
	for _, d := range t.devices {
		for _, was := range before.devices {
			if d.instance == was.instance {
				d.failures, d.failure, d.since, d.told, d.due = was.failures, was.failure, was.since, was.told, time.Now()
			}
		}
	}
	t.mute = before.mute && t.nobody()
	t.lost, t.since, t.retries, t.retry = before.lost, before.since, before.retries, before.retry
}
