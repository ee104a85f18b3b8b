package poller

import (
	"context"
	"errors"
	"slices"
	"time"

	"go.uber.org/zap"

	"fanwarden/poller/reading"
)

// held stands for a block that was not asked: because a late answer could pass
// for its own, or because a second try of it would have taken too long.
var held = &reading.Failure{Outcome: reading.Timeout,
	Err: errors.New("an answer that is overdue could be taken for the answer to this request")}

// splitAgain is how long a block that a device refuses in parts as well as in
// one is asked for in one, and how long one that it answers for in parts is
// asked for in these.
const splitAgain = time.Hour

// refused reports whether a device refused a block for the registers in it
// (exception 02) or for its length (exception 03, from devices whose blocks
// are small): it may answer for parts of it.
func refused(failure *reading.Failure) bool {
	return failure != nil && (failure.Code == 2 || failure.Code == 3)
}

// askBlock asks for block i of a unit, and splits it where the device refuses
// it. It returns how many blocks stand in its place now, all of them asked.
func (w *worker) askBlock(ctx context.Context, u *unit, i int) (asked int, failure *reading.Failure) {
	if joined, failure := w.rejoin(ctx, u, i); joined || failure != nil {
		return 1, failure
	}
	b := &u.blocks[i]
	failure = w.get(ctx, &b.Request)
	if failure == held {
		return 1, failure
	}
	b.outcome, b.code = reading.OK, 0
	if failure == nil {
		return 1, nil
	}
	b.outcome, b.code = failure.Outcome, failure.Code
	if refused(failure) && !time.Now().Before(b.whole) {
		if parts, fatal := w.split(ctx, u, b); fatal != nil {
			return 1, fatal
		} else if parts != nil {
			u.blocks = slices.Replace(u.blocks, i, i+1, parts...)
			return len(parts), nil
		}
	}
	if failure.Outcome == reading.Exception {
		w.refuse(&b.Request, failure.Code)
	}
	return 1, failure
}

// rejoin asks for the whole that block i is the first part of, if it was split
// long ago: what the device refused may have been in its way for a moment only.
// If it answers, the whole stands in the place of its parts.
func (w *worker) rejoin(ctx context.Context, u *unit, i int) (done bool, failure *reading.Failure) {
	now, of, end := time.Now(), u.blocks[i].of, i
	if of == nil || now.Before(u.blocks[i].again) {
		return false, nil
	}
	for ; end < len(u.blocks) && u.blocks[end].of == of; end++ {
		u.blocks[end].again = now.Add(splitAgain)
	}
	switch failure = w.get(ctx, of); {
	case failure == nil:
		u.blocks = slices.Replace(u.blocks, i, end, block{Request: *of})
		return true, nil
	case failure == held || failure.Outcome == reading.Exception:
		return false, nil
	}
	return false, failure
}

// split asks for the parts of a refused block. It returns them if any was
// answered; if none was, the block stays whole, and is not split again soon.
func (w *worker) split(ctx context.Context, u *unit, b *block) ([]block, *reading.Failure) {
	parts, helped, fatal := w.pieces(ctx, &b.Request)
	if fatal != nil {
		return nil, fatal
	}
	if !helped {
		b.whole = time.Now().Add(splitAgain)
		return nil, nil
	}
	of, again := b.of, b.again
	if of == nil {
		whole := b.Request
		of, again = &whole, time.Now().Add(splitAgain)
	}
	for i := range parts {
		parts[i].of, parts[i].again = of, again
		if parts[i].code != 0 {
			w.refuse(&parts[i].Request, parts[i].code)
		}
	}
	w.log.Info("the device refuses a block of registers and answers for parts of it; from now on it is asked for the parts, and once an hour for the block",
		zap.Int("unit", u.id), zap.Stringer("table", b.Table), zap.Int("address", b.Address), zap.Int("count", b.Count),
		zap.Int("parts", len(parts)))
	return parts, nil
}

// pieces asks for both halves of a request, and for the halves of a half that
// is refused again.
func (w *worker) pieces(ctx context.Context, r *Request) (parts []block, helped bool, fatal *reading.Failure) {
	for _, half := range r.halves() {
		failure := w.get(ctx, &half)
		if failure == nil {
			parts, helped = append(parts, block{Request: half}), true
			continue
		}
		if refused(failure) {
			smaller, some, fatal := w.pieces(ctx, &half)
			if fatal != nil {
				return nil, false, fatal
			}
			if some {
				parts, helped = append(parts, smaller...), true
				continue
			}
		} else if failure.Outcome != reading.Exception {
			return nil, false, failure
		}
		parts = append(parts, block{Request: half, outcome: failure.Outcome, code: failure.Code})
	}
	return parts, helped, nil
}

// get brings the values of a request. Gateways close connections that are idle,
// or that have brought one answer, which shall not cost a reading: a connection
// that turns out to be broken is opened again, unless it is new and has brought
// nothing, or the period is over.
func (w *worker) get(ctx context.Context, r *Request) *reading.Failure {
	failure := w.getOnce(ctx, r)
	if failure != nil && failure.Outcome == reading.Reset && w.line.worked && !w.line.away && ctx.Err() == nil &&
		time.Now().Before(w.round.next) {
		failure = w.getOnce(ctx, r)
	}
	return failure
}

// getOnce asks for a request as it is, or, if a late answer could pass for its
// own, in another shape: with some unused registers behind it, since one answer
// is lost less easily than several, or else in parts, if it can be asked at all.
func (w *worker) getOnce(ctx context.Context, r *Request) *reading.Failure {
	w.line.late.forget(time.Now())
	if !w.line.late.fits(r.Unit, r.Table, r.bytes()) {
		return w.exchange(ctx, r)
	}
	if wide, ok := w.line.late.widen(r, w.gateway); ok {
		failure := w.exchange(ctx, &wide)
		if !refused(failure) {
			return failure
		}
		r.narrow = true
	}
	parts := w.line.late.reshape(r)
	if parts == nil {
		return held
	}
	for i := range parts {
		if failure := w.exchange(ctx, &parts[i]); failure != nil {
			return failure
		}
	}
	return nil
}

// exchange sends one request and takes its answer.
func (w *worker) exchange(ctx context.Context, r *Request) *reading.Failure {
	l := w.line
	limit := w.spare(time.Now())
	if limit <= 0 {
		return held
	}
	if failure := l.connect(ctx, limit); failure != nil {
		return failure
	}
	if w.gateway.Pause > 0 && !l.sleep(ctx, l.rested.Add(w.gateway.Pause)) {
		return stopped()
	}
	err := l.session.Read(r.Unit, r.Table, r.Address, r.Count, w.words)
	now := time.Now()
	l.rested = now
	if err == nil {
		w.live(now)
		w.take(r, now)
		return nil
	}
	failure := asFailure(err)
	if failure.Code != 0 {
		w.live(now)
		if l.late.doubts(r.Unit, r.Table) {
			// It may be the late answer to another request, and its own is
			// still to come.
			l.late.add(r, now)
			l.drop(now)
		}
		return failure
	}
	// A connection that stood idle since the last cycle and breaks now was
	// closed by the gateway before the request came: nobody will answer it.
	broken := failure.Outcome == reading.Reset
	if idle := broken && !l.fresh; !idle {
		l.late.add(r, now)
	}
	if broken && l.fresh {
		w.round.broken++
	}
	l.drop(now)
	return failure
}

// live notes that the gateway answered; after an outage every silent unit is
// due, however long it had been silent before.
func (w *worker) live(now time.Time) {
	w.round.answers++
	if w.line.answered(now) {
		w.allDue(true)
	}
}
