package main

import (
	"slices"
	"sync"
	"time"

	"fanwarden/rules/condition"
)

// standing is a condition of a fan or a gateway.
type standing struct {
	target    string
	condition condition.Name
}

// How long things may take. Holds are up to 12 s and start_delay 3 s, two polls take
// 4 s, and a clock that was set back is believed after ten polls; a gateway that is
// back is tried within 10 s, and what stood must then be seen to be over.
const (
	raiseWithin = 30 * time.Second
	clearWithin = 25 * time.Second
	blink       = 2 * time.Second  // without it, a condition that should stand is dropped
	warm        = 4 * time.Second  // after a start, until everything that stood is shown again
	forgotten   = 7 * time.Second  // what the rules found so shortly before a kill they may find anew
	toTell      = 14 * time.Second // that an alarm must stand to be told: messages gather for 10
)

// told is an alarm that was seen among those that stand.
type told struct {
	id          string
	first, last time.Time
	stood       time.Duration // while the daemon was seen to live
	exempt      bool          // it comes and goes, or is quiet
}

// conditions holds what the daemon says stands against the troubles that are on.
type conditions struct {
	found func(format string, args ...any)

	mu       sync.Mutex
	troubles []*trouble // of this round and the last
	started  time.Time  // when the daemon last was
	slow     bool       // holds may not become full in this round
	absent   map[*trouble]time.Time
	missed   map[*trouble]bool // told already
	invented map[standing]bool // likewise
	alarms   map[string]*told
	now      map[standing]bool
	raised   int
	events   int // that the log told of
	delays   []time.Duration
}

func newConditions(found func(string, ...any)) *conditions {
	return &conditions{found: found, absent: make(map[*trouble]time.Time), missed: make(map[*trouble]bool),
		invented: make(map[standing]bool), alarms: make(map[string]*told)}
}

// round begins a round: the troubles of the one before are over. In one with a kill
// and a clock that jumps there and back, or back first, no hold may become full: each
// has it wait anew, by design.
func (c *conditions) round(slow bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.slow = slow
	c.troubles = slices.DeleteFunc(c.troubles, func(t *trouble) bool { return !t.ended.IsZero() && time.Since(t.ended) > 2*clearWithin })
	clear(c.invented)
	clear(c.absent)
}

func (c *conditions) expect(t *trouble) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.troubles = append(c.troubles, t)
}

func (c *conditions) ended(t *trouble) {
	c.mu.Lock()
	defer c.mu.Unlock()
	t.ended = time.Now()
	if len(t.kind.raise) > 0 && t.seen.IsZero() && !c.missed[t] && !c.slow {
		c.found("%s raised nothing in the %v that it was on", t, t.ended.Sub(t.put).Round(time.Second))
	}
}

// restarted notes that the daemon was killed and lives again. What it had found
// just before it may have to find again.
func (c *conditions) restarted(killed time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.started = time.Now()
	for _, t := range c.troubles {
		if t.ended.IsZero() && killed.Sub(t.seen) < forgotten {
			t.seen = time.Time{}
		}
	}
	clear(c.absent)
}

// observe takes what stands now.
func (c *conditions) observe(now time.Time, all map[standing]bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.now = all
	for s := range all {
		if !c.explained(now, s) && !c.invented[s] {
			c.invented[s] = true
			c.found("%s stands on %s, which has no trouble that calls for it: %s", s.condition, s.target, c.troublesOf(s.target))
		}
	}
	for _, t := range c.troubles {
		if t.ended.IsZero() && len(t.kind.raise) > 0 {
			c.follow(now, t, all)
		}
	}
}

// raisedBy takes a condition that the daemon's log says was raised: one that stood
// for a moment only is not seen otherwise.
func (c *conditions) raisedBy(s standing, summary string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.events++
	if !c.explained(time.Now(), s) && !c.invented[s] {
		c.invented[s] = true
		c.found("%s was raised on %s, which has no trouble that calls for it: %s; %s", s.condition, s.target, summary, c.troublesOf(s.target))
	}
}

// explained reports whether a trouble calls for a condition, and notes that it is
// there.
func (c *conditions) explained(now time.Time, s standing) bool {
	for _, t := range c.troubles {
		if t.target() != s.target || !slices.Contains(t.kind.raise, s.condition) {
			continue
		}
		if t.ended.IsZero() || now.Sub(t.ended) < clearWithin {
			if t.seen.IsZero() && t.ended.IsZero() {
				t.seen = now
				c.raised++
				c.delays = append(c.delays, now.Sub(t.put))
			}
			return true
		}
	}
	return false
}

// troublesOf names what a fan or gateway, and those that it belongs with, had
// lately.
func (c *conditions) troublesOf(target string) (names []string) {
	for _, t := range c.troubles {
		if t.gateway == target[:len(gatewayID(0))] {
			names = append(names, t.String())
		}
	}
	return names
}

// follow holds one trouble that is on against what stands.
func (c *conditions) follow(now time.Time, t *trouble, all map[standing]bool) {
	if slices.ContainsFunc(t.kind.raise, func(n condition.Name) bool { return all[standing{t.target(), n}] }) {
		delete(c.absent, t)
		return
	}
	since := t.put
	if c.started.After(since) {
		since = c.started
	}
	switch {
	case c.missed[t] || c.slow && t.seen.IsZero():
	case t.seen.IsZero():
		if now.Sub(since) > raiseWithin {
			c.missed[t] = true
			c.found("%s raised nothing within %v", t, raiseWithin)
		}
	case now.Sub(c.started) > warm:
		if _, is := c.absent[t]; !is {
			c.absent[t] = now
		}
		if now.Sub(c.absent[t]) > blink {
			c.missed[t] = true
			c.found("%s goes on, and what it raised stands no more", t)
		}
	}
}

// any returns what stands now.
func (c *conditions) any() (all []standing) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for s := range c.now {
		all = append(all, s)
	}
	return all
}

// note takes an alarm that stands now.
func (c *conditions) note(now time.Time, id string, exempt bool) {
	c.mu.Lock()
	defer c.mu.Unlock()
	a := c.alarms[id]
	if a == nil {
		a = &told{id: id, first: now, last: now}
		c.alarms[id] = a
	}
	if since := now.Sub(a.last); since < blink {
		a.stood += since
	}
	a.last = now
	a.exempt = a.exempt || exempt
}

// untold returns the alarms of which a receiver should have heard and has not.
func (c *conditions) untold(r *receivers) (missing []string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, a := range c.alarms {
		if a.exempt || a.stood < toTell {
			continue
		}
		raised, over := r.heard(a.id)
		switch {
		case !raised:
			missing = append(missing, "that "+a.id+" was raised")
		case !over && time.Since(a.last) > clearWithin:
			missing = append(missing, "that "+a.id+" is over")
		}
	}
	slices.Sort(missing)
	return missing
}

// logged counts what the daemon's log said was raised.
func (c *conditions) logged() int {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.events
}

// owed counts the alarms that must be told.
func (c *conditions) owed() (n int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	for _, a := range c.alarms {
		if !a.exempt && a.stood >= toTell {
			n++
		}
	}
	return n
}
