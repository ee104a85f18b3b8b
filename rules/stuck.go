package rules

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// stuck judges stuck_idle: the fan is at rest by its own controller's choice,
// and it ought not to be. One of three things shows it:
//
//   - past: the reading is past the restart point, for the hold beyond the start
//     delay. The restart point is the setpoint and the restart rise of the fleet
//     file, or the one that the controller tells; a fan that is permitted to run
//     and has no settings to go idle by ought to run whenever it is short of its
//     setpoint by more than the tolerance. Two counts of the sensor are left as
//     a margin.
//   - step: the reading rose as draught does not, as a step, and stayed, for
//     step_hold: somebody exhausts into the riser, and the restart point is out
//     of reach (draught.go).
//   - long: it is idle for longer than idle_at_most. This is a note.
//
// A fan of a group whose partner does its work is at rest by right, and so is one
// whose lead is to be asked first (relieved). Where several fans of the building
// that are idle step at once, something else than demand moved them.
//
// A stopped fan with its probe on discharge reads about nothing, so its reading
// proves nothing and only the third is judged. A fan that controls airflow has
// no idle. A fan that is at rest while it has no permission to run, or is forced
// to, is not judged; nor is one that has neither settings to go idle by nor a
// contact that permits it to run: its stop is somebody's schedule.
//
// It is over when the fan runs, or (step) when the reading has been back for a
// while. That a fan once stayed at rest past its restart point is not undone by
// demand that leaves: whether it would start at the next is not known before it
// does.
type stuck struct {
	hold     time.Duration
	stepHold time.Duration
	longest  time.Duration
	why      stuckReason
	past     stand
	long     stand
	draught  draught
}

// stuckReason says what shows that a fan is stuck, the weakest first.
type stuckReason uint8

const (
	notStuck stuckReason = iota
	idleLong
	demandStep
	pastRestart
)

// pastGrace is how long the reading may be back before the restart point
// without the hold starting anew. (Engineering choice.)
const pastGrace = 15 * time.Second

func (c *stuck) configure(_ *fan, s condition.Setting) {
	c.hold = s.Hold
	c.stepHold = s.OwnDuration(condition.StepHold)
	c.longest = s.OwnDuration(condition.IdleAtMost)
}

func (c *stuck) judge(f *fan, s *sample) condition.State {
	switch {
	case f.cfg.ControlsAirflow || !s.hasSpeed:
		return condition.CannotJudge
	case !f.mode.resting:
		c.forget()
		return condition.Absent
	case s.mode == condition.Stopped && !f.mode.enable.known:
		return condition.CannotJudge
	}
	before := c.why
	c.why = c.reason(f, s)
	if c.why == notStuck || c.why < before {
		return condition.Absent // what is left is raised anew, as what it is
	}
	return condition.Present
}

// reason feeds a sample of a fan at rest and returns the strongest thing that
// shows that it is stuck.
func (c *stuck) reason(f *fan, s *sample) stuckReason {
	relieved := f.relieved(s.now)
	if s.mode == condition.Idle && !relieved {
		c.long.feed(s.now, s.gap, true, wait{hold: c.longest})
	}
	if f.cfg.Probe == config.Suction && s.hasValue && s.hasSetpoint {
		if rise, ok := restartRise(f, s); ok && !c.past.full {
			evidence := !relieved && (s.short() >= rise+f.counts || s.short() >= rise && c.past.held)
			c.past.feed(s.now, s.gap, evidence, wait{hold: c.hold + f.cfg.StartDelay, grace: pastGrace})
		}
		c.watchDraught(f, s, relieved)
	}
	switch {
	case c.past.full:
		return pastRestart
	case c.draught.stand.full:
		return demandStep
	case c.long.full:
		return idleLong
	}
	return notStuck
}

// watchDraught looks for a step of demand. A partner that has turned explains a
// step; so does what moves the pressure over other fans of the building that are
// at rest at the same time.
func (c *stuck) watchDraught(f *fan, s *sample, relieved bool) {
	d := &c.draught
	if relieved || f.partnerTurned(s.now, stepTime) {
		d.rest()
		return
	}
	if rested := time.Duration(s.now - f.mode.restedAt); s.mode != condition.Idle || rested >= 0 && rested < calming {
		return
	}
	open, full := d.stand.open, d.stand.full
	d.feed(s, c.stepHold)
	if d.stand.open && !open {
		f.stepped, f.stepAt = true, s.now
	}
	if d.stand.full && !full && f.stepShared(d.onset) {
		d.forget()
	}
}

// relieved reports whether another fan of the group does this one's work, or is
// the one to be asked: a partner runs and has speed left, or nobody knows what
// it does; or the lead of a lag or standby fan is at rest of its own accord. A
// partner at its top can do no more.
func (f *fan) relieved(now int64) bool {
	for _, p := range f.partners {
		switch p.mode.now {
		case condition.Starting, condition.Controlling, condition.AtMin, condition.RunOn, condition.Unknown:
			return true
		case condition.Forced:
			if !p.mode.resting {
				return true
			}
		case condition.Idle, condition.Stopped:
			if p.cfg.Role == config.Lead && (f.cfg.Role == config.Lag || f.cfg.Role == config.Standby) {
				return true
			}
		case condition.AtMax:
			if time.Duration(now-p.mode.turnedAt) < topped && p.mode.turned {
				return true
			}
		}
	}
	return false
}

// Figures of fans that share a riser or a building. (Engineering choices.)
const (
	topped = 5 * time.Minute  // after its start a partner at its top may yet bring the riser down
	shared = 90 * time.Second // within which steps over several fans have one cause
)

// stepShared reports whether the reading of half of the building's idle fans
// or more, and of another at least, has stepped when this one's did: a door, the
// weather or a fan of the building does that to all of them.
func (f *fan) stepShared(onset int64) bool {
	resting, stepped := 0, 0
	for _, n := range f.neighbours {
		if n.mode.now != condition.Idle || n.cfg.Probe != config.Suction || n.mode.restedAt > onset {
			continue
		}
		resting++
		if n.stepped && time.Duration(n.stepAt-onset).Abs() <= shared {
			stepped++
		}
	}
	return stepped > 1 && 2*stepped >= resting
}

// restartRise is how far past its setpoint a fan at rest must start.
func restartRise(f *fan, s *sample) (rise float64, ok bool) {
	if f.cfg.HasRestartRise {
		return f.cfg.RestartRise, true
	}
	if rise, ok = finite(s.r.Get(reading.RestartRise)); ok {
		return math.Abs(rise), true
	}
	return s.tolerance, s.mode == condition.Stopped
}

// found is the evidence that the fan was found stuck by.
func (c *stuck) found() *stand {
	switch c.why {
	case pastRestart:
		return &c.past
	case demandStep:
		return &c.draught.stand
	}
	return &c.long
}

func (c *stuck) since() int64 { return c.found().since }

func (c *stuck) severity(s condition.Setting) condition.Severity {
	if c.why == idleLong {
		return condition.Note
	}
	return s.Severity
}

func (c *stuck) rest() {
	c.past.rest()
	c.long.rest()
	c.draught.rest()
}

func (c *stuck) forget() {
	c.past.forget()
	c.long.forget()
	c.draught.forget()
	c.why = notStuck
}
