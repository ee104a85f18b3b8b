package poller

import (
	"slices"
	"time"
)

// inherit takes over what must outlive a worker on the same line, whatever the
// gateway is called: late answers come to its successor just the same, and who
// is dead stays dead. A gateway that keeps its id at another address may be the
// same box under another name: late answers are feared from it, no more.
func (w *worker) inherit(before *worker) {
	same := w.gateway.Scheme == before.gateway.Scheme && w.gateway.Address == before.gateway.Address
	if same || w.gateway.ID == before.gateway.ID {
		w.line.fear(before.line)
	}
	if !same {
		return
	}
	w.line.inherit(before.line)
	w.tried, w.strained = before.tried, before.strained
	for _, u := range w.units {
		for _, was := range before.units {
			if u.id == was.id {
				u.inherit(was)
			}
		}
	}
}

// fear takes over which answers may come late.
func (l *line) fear(before *line) {
	if before.quiet.After(l.quiet) {
		l.quiet = before.quiet
	}
	if l.late.horizon > 0 {
		l.late.lost = append(l.late.lost, before.late.lost...)
		slices.SortFunc(l.late.lost, func(a, b lost) int { return a.at.Compare(b.at) })
	}
}

// inherit takes over since when the line is lost and when it is tried again.
func (l *line) inherit(before *line) {
	l.lost, l.away, l.since, l.outcome = before.lost, before.away, before.since, before.outcome
	l.retries, l.retry = before.retries, before.retry
}

// inherit takes over how a unit fares. One that is silent is due at once: the
// change of the file may have been made to mend it.
func (u *unit) inherit(before *unit) {
	u.failures, u.passed, u.failure, u.since = before.failures, before.passed, before.failure, before.since
	u.cost, u.told, u.due = before.cost, before.told, time.Now()
	var blocks []block
	for i := range u.blocks {
		blocks = append(blocks, before.cut(&u.blocks[i])...)
	}
	u.blocks = blocks
}

// cut returns a block of the same unit in another plan as this one is asked for
// it: in the parts that its device answers for.
func (u *unit) cut(b *block) []block {
	var parts []block
	for _, was := range u.blocks {
		switch {
		case was.of == nil && was.covers(&b.Request):
			narrow := was.narrow
			was.Request = b.Request
			was.narrow = narrow
			return []block{was}
		case was.of != nil && was.of.covers(&b.Request):
			parts = append(parts, was)
		}
	}
	if like := b.like(parts); like != nil {
		return like
	}
	return []block{*b}
}

// covers reports whether a request is for the same registers.
func (r *Request) covers(other *Request) bool {
	return r.Table == other.Table && r.Address == other.Address && r.Count == other.Count
}

// like cuts a request as another one for the same registers was cut, or returns
// nothing where one of its values would not lie in a part.
func (r *Request) like(parts []block) []block {
	runs, of := r.runs(), *r
	for i := range parts {
		part, n := &parts[i], 0
		for n < len(runs) && runs[n].Address+runs[n].Count <= part.Address+part.Count {
			n++
		}
		if n == 0 || runs[0].Address < part.Address {
			return nil
		}
		narrow := part.narrow
		part.Request, part.of = joined(runs[:n]), &of
		part.narrow = narrow
		runs = runs[n:]
	}
	if len(runs) > 0 {
		return nil
	}
	return parts
}
