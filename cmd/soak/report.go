package main

import (
	"fmt"
	"maps"
	"os"
	"slices"
	"text/tabwriter"
	"time"
)

// Least that a run must have seen of each proof, so that it cannot pass by looking
// at nothing.
const (
	leastValues = 1000
	mostMixed   = 0.02 // of the values, that another fan might have had
)

// report prints what was done and found, and reports whether all was well.
func (s *soak) report() bool {
	s.weigh()
	out := tabwriter.NewWriter(s.out, 0, 0, 2, ' ', 0)
	fmt.Fprintf(out, "\nseed %d, %v, %d rounds, %d fans behind %d gateways\n", s.o.seed, time.Since(s.began).Round(time.Second), s.rounds, len(s.fans), gateways)
	for _, name := range slices.Sorted(maps.Keys(s.count)) {
		fmt.Fprintf(out, "%s\t%d times\n", name, s.count[name])
	}
	fmt.Fprintf(out, "a full disk is\t%v\n", s.disk)
	if s.noClock != nil {
		fmt.Fprintf(out, "no clock jumped\t%v\n", s.noClock)
	}
	fmt.Fprintf(out, "\nvalues of API and metrics\t%v\n", &s.watch.served)
	fmt.Fprintf(out, "values of history\t%v\n", &s.watch.recorded)
	fmt.Fprintf(out, "conditions\t%d raised by troubles, %v after these began (median)\n", s.conditions.raised, s.conditions.delay())
	fmt.Fprintf(out, "notifications\t%d alarms had to be told; %v\n", s.conditions.owed(), s.receivers)
	fmt.Fprintf(out, "events\t%d beats\n", s.beats.Load())
	fmt.Fprintf(out, "slowest answer of the API\t%v\n", s.watch.slowest.Round(time.Millisecond))
	fmt.Fprintf(out, "stalls of this machine\t%d of more than %v, %v the longest\n", s.stalls.over.Load(), much, time.Duration(s.stalls.longest.Load()).Round(time.Millisecond))
	fmt.Fprintf(out, "\nat rest\tearly\tlate\tsamples of the last process\n")
	for _, t := range trends(s.samples) {
		grew := ""
		if t.grew() {
			grew = "  GREW"
		}
		fmt.Fprintf(out, "%s\t%.1f\t%.1f\t%d%s\n", t.name, t.early, t.late, t.samples, grew)
	}
	fmt.Fprintln(out)
	for _, event := range slices.Sorted(maps.Keys(s.logged)) {
		fmt.Fprintf(out, "logged %d times\t%s\n", s.logged[event], event)
	}
	out.Flush()
	return s.verdict()
}

// weigh turns what was measured into violations.
func (s *soak) weigh() {
	for _, t := range trends(s.samples) {
		if t.grew() {
			s.found("%s grew from %.1f to %.1f", t.name, t.early, t.late)
		}
	}
	for name, t := range map[string]*tally{"the API and metrics": &s.watch.served, "history": &s.watch.recorded} {
		right, tried := t.right.Load(), t.tried.Load()
		if right < leastValues || float64(t.unknown.Load()) > 0.2*float64(right) {
			s.found("too few values of %s could be held against the truth: %v", name, t)
		}
		if float64(t.mixed.Load()) > mostMixed*float64(tried) {
			s.found("values of %s do not tell fans apart: %v", name, t)
		}
	}
	if s.noClock != nil && os.Getenv("FANWARDEN_PEERS") == "required" { // as tests do that miss what they need
		s.found("no clock jumped: %v", s.noClock)
	}
	if s.conditions.raised == 0 || s.conditions.owed() == 0 || s.beats.Load() == 0 {
		s.found("no condition, notification or event was seen")
	}
}

func (s *soak) verdict() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.stuck != nil {
		fmt.Fprintf(s.out, "\nThe soak could not go on: %v\n", s.stuck)
	}
	if len(s.violations) == 0 && s.stuck == nil {
		fmt.Fprintln(s.out, "\nAll was well.")
		return true
	}
	fmt.Fprintf(s.out, "\n%d violations (the same plan again: --seed %d):\n", len(s.violations)+s.more, s.o.seed)
	for _, v := range s.violations {
		fmt.Fprintln(s.out, "  "+v)
	}
	return false
}

// delay is the median from when a trouble began to when it was seen to be raised.
func (c *conditions) delay() time.Duration {
	c.mu.Lock()
	defer c.mu.Unlock()
	if len(c.delays) == 0 {
		return 0
	}
	all := slices.Sorted(slices.Values(c.delays))
	return all[len(all)/2].Round(100 * time.Millisecond)
}
