package turnover

import (
	"fmt"
	"math"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// behaviour says which of the things that a controller does by itself were seen
// to be done. None of them can be asked for without driving the fan.
func (t *trace) behaviour() []Seen {
	return []Seen{t.idle(), t.runOn(), t.restart(), t.span()}
}

func seen(what string, f found) Seen { return Seen{what, f.verdict, f.reason} }

func notApplicable(reason string) found { return found{verdict: NotApplicable, reason: reason} }

// idle reports whether the fan stopped by itself for lack of demand.
func (t *trace) idle() Seen {
	if !t.fan.GoesIdle {
		return seen("idle", notApplicable("the fleet file gives no idle_below: the fan never goes idle"))
	}
	for k := 1; k < len(t.looks); k++ {
		if t.state(k) == stopped && t.state(k-1) >= slowest && t.at(reading.Enable, k) != 0 {
			return seen("idle", passes("the fan went idle by itself"))
		}
	}
	if len(t.looks) > 0 && t.state(len(t.looks)-1) == stopped {
		return seen("idle", notSeen("the fan stood still all the time"))
	}
	return seen("idle", notSeen("the fan did not go idle"))
}

// runOn measures how long the fan ran at or below idle_below before it stopped.
func (t *trace) runOn() Seen {
	if !t.fan.GoesIdle {
		return seen("run-on", notApplicable("the fan never goes idle"))
	}
	began := time.Time{}
	for k := range t.looks {
		speed := t.at(reading.Speed, k)
		switch {
		case t.state(k) == stopped && !began.IsZero():
			ran := t.looks[k].Time.Sub(began)
			slack := t.apart(k) + 2*time.Second
			if ran < t.fan.RunOn-slack || ran > t.fan.RunOn+slack {
				return seen("run-on", fails("the fan ran on for %s before it stopped, and the fleet file says %s", lasting(ran), lasting(t.fan.RunOn)))
			}
			return seen("run-on", passes("the fan ran on for %s, as the fleet file says", lasting(ran)))
		case t.state(k) >= slowest && speed <= t.fan.IdleBelow+1e-9:
			if began.IsZero() && k > 0 {
				began = t.looks[k].Time
			}
		default:
			began = time.Time{}
		}
	}
	return seen("run-on", notSeen("the fan did not go idle"))
}

// apart is the longest time between looks about the k-th.
func (t *trace) apart(k int) time.Duration {
	longest := time.Duration(0)
	for i := max(1, k-1); i <= min(k+1, len(t.looks)-1); i++ {
		longest = max(longest, t.looks[i].Time.Sub(t.looks[i-1].Time))
	}
	return longest
}

// lasting writes a length of time for people, to the second as long as a person would
// count it: "42 s", "1 min 42 s".
func lasting(d time.Duration) string {
	d = d.Round(time.Second)
	if d < time.Minute || d >= time.Hour {
		return units.Span(d)
	}
	says := fmt.Sprintf("%d min", d/time.Minute)
	if rest := d % time.Minute; rest > 0 {
		says += fmt.Sprintf(" %d s", rest/time.Second)
	}
	return says
}

// restart reports whether the fan started by itself, and how far the reading had
// moved from the setpoint by then.
func (t *trace) restart() Seen {
	if !t.fan.GoesIdle {
		return seen("restart", notApplicable("the fan never goes idle"))
	}
	for k := 1; k < len(t.looks); k++ {
		if t.state(k) < slowest || t.state(k-1) != stopped {
			continue
		}
		moved := math.Abs(t.at(t.fan.Controlled(), k-1) - t.setpoint(k-1))
		if math.IsNaN(moved) {
			return seen("restart", passes("the fan started by itself"))
		}
		return seen("restart", passes("the fan started by itself, the reading %s from setpoint", t.write(reading.RestartRise, moved)))
	}
	return seen("restart", notSeen("the fan did not start"))
}
