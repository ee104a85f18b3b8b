package poller

import "time"

// inherit takes over what must outlive a worker on the same line, whatever the
// gateway is called: late answers come to its successor just the same, and who
// is dead stays dead.
func (w *worker) inherit(before *worker) {
	if w.gateway.Scheme != before.gateway.Scheme || w.gateway.Address != before.gateway.Address {
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

// inherit takes over what is known of the line: its late answers, and since
// when it is lost and when it is tried again.
func (l *line) inherit(before *line) {
	l.quiet = before.quiet
	if l.late.horizon > 0 {
		l.late.lost = before.late.lost
	}
	l.lost, l.away, l.since, l.outcome = before.lost, before.away, before.since, before.outcome
	l.retries, l.retry = before.retries, before.retry
}

// inherit takes over how a unit fares. One that is silent is due at once: the
// change of the file may have been made to mend it.
func (u *unit) inherit(before *unit) {
	u.failures, u.passed, u.outcome, u.since = before.failures, before.passed, before.outcome, before.since
	u.named = before.named
	u.cost, u.told, u.due = before.cost, before.told, time.Now()
}
