package poller

import (
	"context"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
)

// worker polls one gateway. All of it belongs to one goroutine.
type worker struct {
	intake
	gateway  *config.Gateway
	sink     Sink
	log      *zap.Logger
	line     *line
	schedule schedule

	units   []*unit
	healthy []*unit // scratch of askHealthy
	// backwards is whether units are asked from the last one on: it turns with
	// every unit that is found silent, as long as some have not been asked.
	backwards bool
	tried     time.Time // when last a unit was asked
	strained  time.Time // when last a silent unit was tried though it did not fit

	words []uint16 // of the answer at hand
	round round
}

// newWorker lays out the polling of one gateway.
func newWorker(plan *Plan, dial Dial, sink Sink, log *zap.Logger) *worker {
	w := &worker{intake: newIntake(plan), gateway: plan.Gateway, sink: sink, log: log.With(zap.String("gateway", string(plan.Gateway.ID)))}
	w.line = newLine(plan.Gateway, dial, w.log)
	longest := 0
	for _, request := range plan.Requests {
		if last := len(w.units) - 1; last < 0 || w.units[last].id != request.Unit {
			w.units = append(w.units, &unit{id: request.Unit})
		}
		u := w.units[len(w.units)-1]
		u.blocks = append(u.blocks, block{Request: request})
		longest = max(longest, request.Count)
	}
	w.words = make([]uint16, longest+w.gateway.MaxGap) // see late.widen
	return w
}

// run polls until ctx ends.
func (w *worker) run(ctx context.Context) {
	defer w.line.end()
	w.schedule = newSchedule(w.gateway.ID, w.gateway.PollEvery, time.Now())
	missed := 0
	for w.await(ctx) {
		due := w.schedule.start()
		w.poll(ctx)
		w.cycle.Late = w.cycle.Start.Sub(due)
		if ctx.Err() != nil {
			return
		}
		w.cycle.Missed = missed
		w.sink(&w.cycle)
		missed = w.schedule.advance(time.Now())
	}
}

// await waits for the next cycle. A mute gateway is probed meanwhile, one unit
// at a time: it shall not take a long period to find out that it speaks again.
func (w *worker) await(ctx context.Context) bool {
	start := w.schedule.start()
	for w.mute() && w.tried.Add(muteRetry).Before(start) {
		if !w.line.wait(ctx, w.tried.Add(muteRetry)) {
			return false
		}
		w.begin(start)
		u, _ := w.mostDue(time.Now())
		if u == nil {
			break
		}
		w.ask(ctx, u)
	}
	return w.line.wait(ctx, start)
}

// begin makes everything ready for a cycle, or a probe, before an instant.
func (w *worker) begin(next time.Time) {
	w.open(time.Now())
	w.round = round{start: w.cycle.Start, next: next}
	w.line.fresh, w.line.worked = false, true
	for _, u := range w.units {
		u.asked, u.again, u.next = false, false, 0
	}
}

// poll runs one cycle.
func (w *worker) poll(ctx context.Context) {
	w.begin(time.Now().Add(w.gateway.PollEvery))
	w.askHealthy(ctx)
	w.askIll(ctx)
	w.askAgain(ctx)
	w.giveUp()
	w.close(time.Now())
}
