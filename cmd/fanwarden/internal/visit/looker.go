package visit

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/turnover"
)

// shapes are how many addresses before and after a point are read with it, as a
// manual may count from 1 and a value may have two registers: the widest first,
// the narrower ones for devices that have no such addresses.
var shapes = [...]struct{ before, after int }{{1, 2}, {1, 1}, {1, 0}, {0, 2}, {0, 1}, {0, 0}}

// Looker looks at one fan again and again. The first time it asks for each point
// by itself, which proves that it answers; after that, with what lies around it,
// in as few requests as the device takes.
type Looker struct {
	visit   *Visit
	fan     *config.Fan
	points  []config.PlacedPoint
	windows []window
	looked  bool
	silent  int               // points in a row that nobody answered
	stated  []turnover.Answer // of a BACnet fan the first ones, with units and polarities, which are asked for once
}

// window is a range of addresses that is read at once.
type window struct {
	points      []config.PlacedPoint // that lie in it
	shape       int
	first, last int
	words       []uint16
	failure     *reading.Failure
}

// NewLooker returns one for a fan behind the visited gateway.
func NewLooker(v *Visit, f *config.Fan) *Looker {
	l := &Looker{visit: v, fan: f, points: turnover.Points(f)}
	if !v.Gateway.BACnet() {
		l.plan()
	}
	return l
}

// plan lays windows over the points, and merges those that meet. Where nothing
// unused may be read (max_gap = 0), they are no wider than the points.
func (l *Looker) plan() {
	shape := 0
	if l.visit.Gateway.MaxGap == 0 {
		shape = len(shapes) - 1
	}
	var all []window
	for _, p := range l.points {
		all = append(all, around(p, shape))
	}
	slices.SortFunc(all, func(a, b window) int {
		return cmp.Or(cmp.Compare(a.points[0].Unit, b.points[0].Unit), cmp.Compare(a.points[0].Table, b.points[0].Table), cmp.Compare(a.first, b.first))
	})
	for _, w := range all {
		if n := len(l.windows); n > 0 && l.windows[n-1].takes(w, l.visit.Gateway.MaxRegisters) {
			l.windows[n-1].points = append(l.windows[n-1].points, w.points...)
			l.windows[n-1].last = max(l.windows[n-1].last, w.last)
		} else {
			l.windows = append(l.windows, w)
		}
	}
}

// around is the window of one point, in a shape.
func around(p config.PlacedPoint, shape int) window {
	return window{points: []config.PlacedPoint{p}, shape: shape,
		first: max(0, p.Address-shapes[shape].before), last: min(65535, p.Address+p.Words()-1+shapes[shape].after)}
}

// takes reports whether two windows are one, within what one request may ask for.
func (w *window) takes(next window, most int) bool {
	if w.points[0].Table.Bits() {
		most *= 16
	}
	return w.points[0].Unit == next.points[0].Unit && w.points[0].Table == next.points[0].Table &&
		next.first <= w.last+1 && next.last-w.first < most
}

// narrower are the windows to try where the device refuses one: each of its
// points by itself, or the next shape of that.
func (w *window) narrower() []window {
	if len(w.points) == 1 && w.shape == len(shapes)-1 {
		return []window{*w}
	}
	var all []window
	for _, p := range w.points {
		shape := 0
		if len(w.points) == 1 || w.shape == len(shapes)-1 {
			shape = min(w.shape+1, len(shapes)-1)
		}
		all = append(all, around(p, shape))
	}
	return all
}

// Look reads the fan once. Its error is that of ctx only: what did not answer is
// told point by point.
func (l *Looker) Look(ctx context.Context) (turnover.Look, error) {
	if l.visit.Gateway.BACnet() {
		return l.lookAtObjects(ctx)
	}
	look := turnover.Look{Time: time.Now(), Answers: make([]turnover.Answer, len(l.points))}
	if l.looked {
		l.readWindows(ctx)
	}
	l.silent = 0
	for i, p := range l.points {
		look.Answers[i] = l.answer(ctx, p)
		if err := ctx.Err(); err != nil {
			return look, err
		}
	}
	l.looked = true
	return look, nil
}

// readWindows reads all windows; those that the device refuses are narrower from
// the next look on.
func (l *Looker) readWindows(ctx context.Context) {
	var next []window
	for i := range l.windows {
		w := &l.windows[i]
		w.words, w.failure = nil, nil
		if ctx.Err() != nil {
			return
		}
		p := w.points[0]
		words, err := l.visit.Read(ctx, p.Unit, p.Table, w.first, w.last-w.first+1)
		switch failure := asFailure(err); {
		case err == nil:
			w.words = words
		case failure.Code == 2 || failure.Code == 3: // not that address, or not so many
			next = append(next, w.narrower()...)
			continue
		default:
			w.failure = failure
		}
		next = append(next, *w)
	}
	l.windows = next
}

// answer is what a point held, from its window or asked for by itself. A unit of
// which two points in a row got no answer is not asked for the others in this look.
func (l *Looker) answer(ctx context.Context, p config.PlacedPoint) turnover.Answer {
	for i := range l.windows {
		w := &l.windows[i]
		if !slices.ContainsFunc(w.points, func(q config.PlacedPoint) bool { return q.Point == p.Point }) {
			continue
		}
		if w.words != nil {
			return w.cut(p)
		}
		if w.failure != nil {
			return turnover.Answer{Failure: w.failure}
		}
	}
	if l.silent >= 2 {
		return turnover.Answer{Failure: &reading.Failure{Outcome: reading.Timeout, Err: errNotAsked}}
	}
	a := l.visit.Ask(ctx, p, false)
	switch {
	case a.Failure == nil:
		l.silent = 0
	case a.Failure.Code == 0 || a.Failure.Outcome == reading.UnitSilent:
		l.silent++
	}
	return a
}

var errNotAsked = errors.New("no answer to the points before it, so it was not asked")

// cut takes a point and what lies around it out of a window.
func (w *window) cut(p config.PlacedPoint) turnover.Answer {
	at := p.Address - w.first
	a := turnover.Answer{Words: w.words[at : at+p.Words()], After: w.words[at+p.Words() : min(len(w.words), at+p.Words()+2)]}
	if at > 0 {
		a.Before = w.words[at-1 : at]
	}
	return a
}
