package poller

import (
	"context"
	"sync"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// Objects is a conversation with the BACnet devices of a gateway, which may be
// used by many goroutines. *bacnet.Client is one.
type Objects interface {
	// Look asks the devices within a range of instances who they are.
	Look(low, high uint32) error
	// ReadAll reads properties of a device. Its error is of the whole device; the
	// results are those that came before it stopped answering.
	ReadAll(ctx context.Context, device uint32, all []bacnet.Reference) ([]bacnet.Result, error)
	// Watch has the device tell of an object's changes.
	Watch(ctx context.Context, device uint32, object bacnet.ObjectID, confirmed bool, lifetime time.Duration,
		tell func(bacnet.COVNotification)) (cancel func(), err error)
	// Forget drops where a device is: it is looked for again.
	Forget(device uint32)
	// Close ends every call under way.
	Close() error
}

// Open opens such a conversation. It returns when ctx ends, at the latest. Its
// errors are *reading.Failure.
type Open func(ctx context.Context, gateway *config.Gateway) (Objects, error)

// talker polls the devices of one BACnet gateway. All of it belongs to one
// goroutine; those that ask hand over what they were answered.
type talker struct {
	intake
	gateway  *config.Gateway
	open     Open
	sink     Sink
	log      *zap.Logger
	schedule schedule
	timer    *time.Timer

	objects Objects // nil: not open
	opening bool
	opened  chan opened
	lost    *reading.Failure // why it is not open
	since   time.Time        // of the first attempt that failed
	retries int
	retry   time.Time

	devices []*device
	answers chan answer
	asking  sync.WaitGroup
	waiting int       // answers that the cycle under way waits for
	begun   bool      // a cycle is under way
	until   time.Time // when it ends at the latest
	mute    bool      // it is in the log that no device answers
	tried   time.Time // when last a silent device was asked
}

// opened is the end of an attempt to open the conversation.
type opened struct {
	objects Objects
	err     error
}

// newTalker lays out the polling of one BACnet gateway.
func newTalker(plan *Plan, open Open, sink Sink, log *zap.Logger) *talker {
	t := &talker{intake: newIntake(plan), gateway: plan.Gateway, open: open, sink: sink,
		log: log.With(zap.String("gateway", string(plan.Gateway.ID))), opened: make(chan opened, 1)}
	t.devices = layOut(plan)
	t.answers = make(chan answer, len(t.devices)+1)
	t.timer = time.NewTimer(time.Hour)
	t.timer.Stop()
	return t
}

// run polls until ctx ends.
func (t *talker) run(ctx context.Context) {
	ctx, stop := context.WithCancel(ctx)
	defer t.end(stop)
	t.schedule = newSchedule(t.gateway.ID, t.gateway.PollEvery, time.Now())
	missed := 0
	for t.await(ctx, t.schedule.start()) {
		t.poll(ctx)
		if ctx.Err() != nil {
			return
		}
		t.cycle.Missed = missed
		t.sink(&t.cycle)
		missed = t.schedule.advance(time.Now())
	}
}

// end stops whatever asks, and waits for it.
func (t *talker) end(stop context.CancelFunc) {
	stop()
	t.timer.Stop()
	if t.opening {
		if o := <-t.opened; o.err == nil {
			o.objects.Close()
		}
	}
	if t.objects != nil {
		t.objects.Close()
	}
	t.asking.Wait()
}

// poll runs one cycle. It ends when every device that it asked has answered or
// failed, and always before the next one.
func (t *talker) poll(ctx context.Context) {
	now := time.Now()
	t.begin(now)
	t.until = now.Add(t.gateway.PollEvery - t.gateway.PollEvery/reserve)
	end := now.Add(t.gateway.PollEvery - t.gateway.PollEvery/(2*reserve))
	t.begun, t.waiting = true, 0
	if t.objects == nil {
		t.reopen(ctx, now)
	} else {
		t.askHealthy(ctx)
	}
	for t.waiting > 0 || t.opening && t.lost == nil {
		if !t.wait(ctx, end) {
			break
		}
	}
	t.begun = false
	now = time.Now()
	for _, d := range t.devices {
		t.settle(d, now)
	}
	t.tell()
	t.close(now)
}

// await waits for an instant, and asks silent devices meanwhile when they are due.
func (t *talker) await(ctx context.Context, start time.Time) bool {
	for {
		now := time.Now()
		if !now.Before(start) {
			return ctx.Err() == nil
		}
		if t.objects == nil {
			t.reopen(ctx, now)
		}
		t.probe(ctx, now)
		wake := start
		if due := t.nextProbe(); due.Before(wake) {
			wake = due
		}
		t.wait(ctx, wake)
		if ctx.Err() != nil {
			return false
		}
	}
}

// wait takes one thing that happens before an instant, and reports whether there
// was one.
func (t *talker) wait(ctx context.Context, until time.Time) bool {
	left := time.Until(until)
	if left <= 0 {
		return false
	}
	t.timer.Reset(left)
	select {
	case <-ctx.Done():
		return false
	case o := <-t.opened:
		t.use(ctx, o)
	case a := <-t.answers:
		t.take(ctx, a)
	case <-t.timer.C:
		return false
	}
	return true
}

// reopen opens the conversation beside the cycles, when that is due.
func (t *talker) reopen(ctx context.Context, now time.Time) {
	if t.opening || len(t.devices) == 0 || now.Before(t.retry) {
		return
	}
	t.opening = true
	go func() {
		bounded, cancel := context.WithTimeout(ctx, dialLimit)
		defer cancel()
		objects, err := t.open(bounded, t.gateway)
		t.opened <- opened{objects, err}
	}()
}

// use takes the end of an attempt to open.
func (t *talker) use(ctx context.Context, o opened) {
	t.opening = false
	now := time.Now()
	if o.err != nil {
		if ctx.Err() != nil {
			return
		}
		if failure := asFailure(o.err); t.lost == nil {
			t.since = now
			t.log.Warn("gateway lost; it is tried again at least every 10 s", zap.Error(failure))
		}
		t.lost = asFailure(o.err)
		t.retry = now.Add(backOff(t.retries))
		t.retries++
		return
	}
	if t.lost != nil {
		t.log.Info("gateway is back", zap.Duration("lost_for", now.Sub(t.since).Round(time.Second)))
	}
	t.objects, t.lost, t.retries = o.objects, nil, 0
	t.allDue(now)
	if len(t.devices) > 0 {
		last := len(t.devices) - 1
		if err := t.objects.Look(t.devices[0].instance, t.devices[last].instance); err != nil {
			t.log.Warn("devices cannot be asked together who they are; each is looked for by itself", zap.Error(err))
		}
	}
	if t.begun {
		t.askHealthy(ctx)
	}
}

// begin makes everything ready for a cycle.
func (t *talker) begin(now time.Time) {
	t.intake.open(now)
	for _, d := range t.devices {
		d.heard = false
	}
}
