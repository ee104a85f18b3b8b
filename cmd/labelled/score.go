package main

import (
	"fmt"
	"slices"
	"time"

	"fanwarden/rules/condition"
)

// linger is how long after the end of a fault what it did may still raise
// something: a riser that fills again, a hold that had nearly run.
const linger = 30 * time.Minute

// score is what the rules made of some runs.
type score struct {
	byName         map[condition.Name]*tally
	runs           int
	readings       int
	fanTime        time.Duration // of all fans together
	healthy        int           // samples without a fault
	healthyAlarmed int
	faulty         int
	misdiagnosed   int              // raised anything beside their own condition
	untruly        int              // of these, what is not true of the fan
	only           []condition.Name // that are asked for; none: all
	cases          []string         // what went wrong, in words
}

func newScore() *score { return &score{byName: make(map[condition.Name]*tally)} }

func (s *score) of(name condition.Name) *tally {
	t := s.byName[name]
	if t == nil {
		t = &tally{}
		s.byName[name] = t
	}
	return t
}

func (s *score) add(o *score) {
	for name, t := range o.byName {
		s.of(name).add(t)
	}
	s.runs += o.runs
	s.readings += o.readings
	s.fanTime += o.fanTime
	s.healthy += o.healthy
	s.healthyAlarmed += o.healthyAlarmed
	s.faulty += o.faulty
	s.misdiagnosed += o.misdiagnosed
	s.untruly += o.untruly
	s.cases = append(s.cases, o.cases...)
}

// judge scores one sample of a run that ended at a time by the changes of its
// conditions.
func (s *score) judge(where string, l *label, changes []condition.Transition, end time.Time) {
	raised := slices.DeleteFunc(slices.Clone(changes), func(c condition.Transition) bool { return c.Change != condition.Raised })
	s.close(where, l, changes, end)
	if l.faulty() {
		s.faulty++
		s.find(where, l, raised)
	} else {
		s.healthy++
	}
	wrong, second, untrue := 0, 0, 0
	silenced := l.silenced(changes)
	known := make(map[condition.Name]bool) // second conditions count once a sample
	for i := range raised {
		c := &raised[i]
		v := l.verdict(c)
		if v >= consequence && known[c.Condition] {
			continue
		}
		known[c.Condition] = known[c.Condition] || v >= consequence
		if v >= consequence && silenced[c.Condition] {
			s.of(c.Condition).silenced++
			s.note(where, l, "second until its cause silenced it: %s raised %s (%s)", c.Condition, instant(c.Time), c.Summary)
			continue
		}
		switch v {
		case falseAlarm:
			s.of(c.Condition).wrong++
			wrong++
			s.note(where, l, "false alarm: %s raised %s (%s)", c.Condition, instant(c.Time), c.Summary)
		case literal:
			s.of(c.Condition).wrong++
			s.of(c.Condition).literal++
			wrong++
			s.note(where, l, "healthy, but so: %s raised %s (%s)", c.Condition, instant(c.Time), c.Summary)
		case consequence:
			s.of(c.Condition).second++
			s.of(c.Condition).truly++
			second++
			s.note(where, l, "second, a true consequence: %s raised %s (%s)", c.Condition, instant(c.Time), c.Summary)
		case misdiagnosis:
			s.of(c.Condition).second++
			second++
			untrue++
			s.note(where, l, "second: %s raised %s (%s)", c.Condition, instant(c.Time), c.Summary)
		}
	}
	if wrong > 0 && !l.faulty() {
		s.healthyAlarmed++
	}
	if second > 0 {
		s.misdiagnosed++
	}
	if untrue > 0 {
		s.untruly++
	}
}

// silenced returns the conditions that were last cleared because another
// condition explains them: what is left standing is one.
func (l *label) silenced(changes []condition.Transition) map[condition.Name]bool {
	by := make(map[condition.Name]bool)
	for i := range changes {
		if c := &changes[i]; c.Change == condition.Raised || c.Reason != condition.Superseded {
			by[c.Condition] = c.Change == condition.Cleared && c.Reason == condition.Silenced
		}
	}
	return by
}

// overdue is how long after the end of its fault a condition may stand.
const overdue = 2 * time.Hour

// close scores whether the expected condition was cleared after its fault had
// ended, where the run went on for long enough.
func (s *score) close(where string, l *label, changes []condition.Transition, end time.Time) {
	due := l.until.Add(overdue)
	if !l.faulty() || l.until.IsZero() || due.After(end) {
		return
	}
	stands := false
	for i := range changes {
		if c := &changes[i]; c.Condition == l.want && !c.Time.After(due) {
			stands = c.Change == condition.Raised
		}
	}
	if stands {
		s.of(l.want).open++
		s.note(where, l, "still stands %s after its end: %s", span(overdue), l.want)
	}
}

// asked reports whether a condition was asked for.
func (s *score) asked(name condition.Name) bool {
	return len(s.only) == 0 || slices.Contains(s.only, name)
}

// find scores whether the expected condition was raised, and when.
func (s *score) find(where string, l *label, raised []condition.Transition) {
	if !s.asked(l.want) {
		return
	}
	t := s.of(l.want)
	t.faults++
	if !l.shows.IsZero() {
		t.shown++
	}
	i := slices.IndexFunc(raised, func(c condition.Transition) bool {
		return l.verdict(&c) == right
	})
	switch {
	case i < 0 && l.shows.IsZero():
		s.note(where, l, "never shown: %s", l.want)
		return
	case i < 0:
		s.note(where, l, "missed: %s, shown from %s", l.want, instant(l.shows))
		return
	}
	t.found++
	if l.shows.IsZero() {
		t.unseen++
		return
	}
	delay := raised[i].Time.Sub(l.shows)
	t.delays = append(t.delays, delay)
	if delay > l.limit {
		s.note(where, l, "late: %s raised %s after it showed at %s, limit %s", l.want, span(delay), instant(l.shows), span(l.limit))
		return
	}
	t.inTime++
}

func (s *score) note(where string, l *label, format string, args ...any) {
	who := string(l.fan)
	if who == "" {
		who = string(l.gateway)
	}
	kind := string(l.kind)
	if kind == "" {
		kind = "healthy"
	}
	s.cases = append(s.cases, fmt.Sprintf("%s %s (%s, %s) onset %s until %s: ", where, who, kind, l.note, instant(l.onset), instant(l.until))+
		fmt.Sprintf(format, args...))
}

// verdict is what a raised condition is worth.
type verdict uint8

const (
	right       verdict = iota
	falseAlarm          // there is no fault
	literal             // there is no fault, but it is literally so: a note that holds
	consequence         // of the fault, and true of the fan, but it is the second of one cause
	misdiagnosis
)

// verdict says what a condition is worth that was raised on l's sample.
func (l *label) verdict(c *condition.Transition) verdict {
	on := !c.Time.Before(l.onset) && (l.until.IsZero() || c.Time.Before(l.until.Add(linger)))
	switch {
	case (!l.faulty() || !on) && l.holds != nil && l.holds(c):
		return literal
	case !l.faulty() || !on:
		return falseAlarm
	case c.Condition == l.want || slices.Contains(l.instead, c.Condition):
		return right
	case slices.Contains(l.also, c.Condition) || l.holds != nil && l.holds(c):
		return consequence
	}
	return misdiagnosis
}
