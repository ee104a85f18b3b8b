package turnover

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/reading"
)

// after are the looks after the fan was given back for good: the first of them,
// when it was given back, and whether there are any.
func (s *stretches) after() (first int, since time.Time, any bool) {
	n := len(s.course.Marks)
	if !s.course.Released || n == 0 || !math.IsNaN(s.course.Marks[n-1].Speed) {
		return 0, since, false
	}
	since = s.course.Marks[n-1].Time
	for k := range s.t.looks {
		if s.t.looks[k].Time.After(since) {
			return k, since, true
		}
	}
	return 0, since, false
}

// released says whether control was given back, after how long, and what the fan
// did with it.
func (s *stretches) released() Seen {
	const what = "release"
	c, f := s.course, s.t.fan
	if !c.Released {
		return seen(what, fails("control was not given back: the fan may still be forced"))
	}
	if c.Forced > f.ExerciseAtMost && f.ExerciseAtMost > 0 {
		return seen(what, fails("control was given back after %s only, and exercise_at_most is %s: the fan could not be reached sooner", lasting(c.Forced), lasting(f.ExerciseAtMost)))
	}
	_, since, any := s.after()
	last := len(s.t.looks) - 1
	if !any || math.IsNaN(s.t.at(reading.Speed, last)) {
		return seen(what, passes("control was given back, and the fan read back that it was"))
	}
	p := f.Controlled()
	return seen(what, passes("control was given back, and the fan read back that it was; %s later it ran at %s and read %s", lasting(s.t.looks[last].Time.Sub(since)),
		s.t.write(reading.Speed, s.t.at(reading.Speed, last)), s.t.write(p, s.t.at(p, last))))
}

// ranOn says how long the fan ran after it was given back until it stopped by
// itself. Whether its controller counts the forced time as well is its own affair,
// so a shorter time proves nothing.
func (s *stretches) ranOn() Seen {
	const what = "run-on after the release"
	f := s.t.fan
	first, since, any := s.after()
	switch {
	case !f.GoesIdle:
		return seen(what, notApplicable("the fan never goes idle"))
	case !any:
		return seen(what, notSeen("the fan was not looked at after it was given back"))
	case s.t.state(first) == stopped:
		return seen(what, notSeen("the fan stood still when it was given back"))
	}
	busy, low := false, since
	for k := first; k < len(s.t.looks); k++ {
		if s.t.running(k) && s.t.at(reading.Speed, k) > f.IdleBelow+margin {
			busy, low = true, s.t.looks[k].Time
		}
		if s.t.state(k) != stopped {
			continue
		}
		ran, slack := s.t.looks[k].Time.Sub(low), s.t.apart(k)+2*time.Second
		switch {
		case ran >= f.RunOn-slack && ran <= f.RunOn+slack:
			return seen(what, passes("the fan ran on for %s before it stopped, as the fleet file says", lasting(ran)))
		case ran > f.RunOn+slack || busy:
			return seen(what, fails("the fan ran on for %s before it stopped, and the fleet file says %s", lasting(ran), lasting(f.RunOn)))
		}
		return seen(what, notSeen("the fan stopped after %s, and run_on is %s: its controller may count the forced time too", lasting(ran), lasting(f.RunOn)))
	}
	last := len(s.t.looks) - 1
	return seen(what, notSeen("the fan did not stop within %s; it ran at %s", lasting(s.t.looks[last].Time.Sub(since)), s.t.write(reading.Speed, s.t.at(reading.Speed, last))))
}

// restarted says whether the fan started by itself after it was given back at a
// standstill, with its reading past the restart point.
func (s *stretches) restarted() Seen {
	const what = "restart after the release"
	f := s.t.fan
	first, since, any := s.after()
	switch {
	case !f.GoesIdle:
		return seen(what, notApplicable("the fan never goes idle"))
	case !any:
		return seen(what, notSeen("the fan was not looked at after it was given back"))
	case s.t.state(first) != stopped:
		return seen(what, notSeen("the fan was not stopped when it was given back; --stop stops it too"))
	}
	past := s.past(first)
	for k := first; k < len(s.t.looks); k++ {
		if s.t.running(k) {
			return seen(what, passes("the fan started by itself within %s of its release%s", lasting(max(time.Second, s.t.looks[k].Time.Sub(since))), s.reading(first)))
		}
		past = min(past, s.past(k))
	}
	stood := s.t.looks[len(s.t.looks)-1].Time.Sub(since)
	if f.HasRestartRise && past > f.RestartRise && stood > f.StartDelay {
		return seen(what, fails("the fan stood still for %s with its reading %s past setpoint at the least, and restart_rise is %s", lasting(stood), s.t.write(reading.RestartRise, past), s.t.write(reading.RestartRise, f.RestartRise)))
	}
	return seen(what, notSeen("the fan stood still for %s: there was no demand", lasting(stood)))
}

// reading says how far the reading was past setpoint, where that is known.
func (s *stretches) reading(k int) string {
	if past := s.past(k); !math.IsNaN(past) {
		return fmt.Sprintf(", its reading then %s past setpoint", s.t.write(reading.RestartRise, past))
	}
	return ""
}

// past is how far the reading is past setpoint in the direction of demand; NaN
// where it is not known.
func (s *stretches) past(k int) float64 {
	rise := s.t.at(s.t.fan.Controlled(), k) - s.t.setpoint(k)
	if s.t.fan.ProbeSide() == "suction" {
		return rise
	}
	return -rise
}
