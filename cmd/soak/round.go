package main

import (
	"fmt"
	"slices"
	"sync"
	"time"
)

// round is one round.
type round struct {
	began     time.Time
	quiet     []string // gateways that have no trouble
	lent      string   // one that may be lent
	disturbed bool     // readings may be missing from history
	killed    bool
	over      chan struct{}
}

// wait waits until so long after the round began; false where the soak has ended.
func (r *round) wait(until time.Duration) bool {
	select {
	case <-time.After(time.Until(r.began.Add(until))):
		return true
	case <-r.over:
		return false
	}
}

func (s *soak) round(n int, late bool) *round {
	r := &round{began: time.Now(), over: s.done}
	for i := range gateways - len(kinds) {
		r.quiet = append(r.quiet, quiet(s.o.seed, n, i))
	}
	r.lent, r.quiet = r.quiet[0], r.quiet[1:]
	from := s.clock.wall(r.began)
	set := ordealsOf(n, late)
	has := func(o ordeal) bool {
		return slices.ContainsFunc(set, func(other ordeal) bool { return other.name == o.name })
	}
	r.killed, r.disturbed = has(killed), has(killed) || has(diskFull) || has(clockJump)
	back := jumps[s.jumps%len(jumps)] < 0 // ten polls are left out until it is believed
	s.conditions.round(has(clockJump) && (has(killed) || back))
	all := planned(s.o.seed, n)
	var names []string
	var doing sync.WaitGroup
	for _, o := range set {
		names = append(names, o.name)
		s.count["the daemon: "+o.name]++
		doing.Go(func() { o.do(s, r) })
	}
	s.say("round %d: %d troubles of the field; the daemon: %v", n+1, len(all), names)
	for _, t := range all {
		s.count["the field: "+t.kind.name]++
		if err := s.put(t); err != nil {
			s.fail(fmt.Errorf("%s: %w", t, err))
		}
	}
	r.wait(roundOf)
	for _, t := range all {
		s.take(t)
	}
	doing.Wait()
	s.calm(r)
	s.kept(r, from, s.clock.wall(time.Now()))
	return r
}

// calm waits until nothing stands any more and every fan is read.
func (s *soak) calm(r *round) {
	began := time.Now()
	well := func() bool {
		var f shown
		if s.watch.object("/api/v1/fleet", &f) != nil {
			return false
		}
		for _, one := range f.Fans {
			if one.Outcome != "ok" || one.Age == nil || *one.Age > 4 {
				return false
			}
		}
		return len(s.conditions.any()) == 0
	}
	if !s.sees(calmOf, well) {
		s.found("%v after the troubles ended all is not well: %v stand", calmOf, s.conditions.any())
	}
	s.say("  all well after %v", time.Since(began).Round(100*time.Millisecond))
	time.Sleep(afterwork)
	s.watch.client.CloseIdleConnections()
	time.Sleep(afterwork)
}

// kept holds what history has of a round against the truth, and counts it where
// nothing explains that readings are missing.
func (s *soak) kept(r *round, from, to time.Time) {
	if since := s.truth.since(); from.Before(since) && since.Before(to) {
		from = since
	}
	for i, fan := range s.fans {
		whole := int(to.Sub(from) / period(i/fansEach))
		rows, err := s.watch.history(fan, from, to)
		if err != nil {
			s.found("the history of %s: %v", fan, err)
			return
		}
		if !r.disturbed && slices.Contains(r.quiet, fan[:3]) && rows < whole*9/10-2 {
			s.found("history has %d good readings of %s of %d, and nothing was wrong with it", rows, fan, whole)
		}
	}
}

// drain waits until everything is told that must be.
func (s *soak) drain() {
	s.receivers.set(taking)
	s.say("waiting for what is still to be told")
	if !s.sees(drainOf, func() bool { return len(s.conditions.untold(s.receivers)) == 0 }) {
		for _, what := range s.conditions.untold(s.receivers) {
			s.found("nobody was told %s", what)
		}
	}
}
