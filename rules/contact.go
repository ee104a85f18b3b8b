package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// contactDisagrees judges contact_disagrees: the high-speed contact is open
// while the speed is more than five points above where it makes, or closed
// while it is more than five points below where it breaks, for the hold. Between
// the two nothing is asked of it.
//
// Time counts only where the contact could be proven: a contact that never
// closes shows at high speed alone, however seldom that is, so the minutes of
// several visits add up, and only the contact in its right place on that same
// side of its threshold takes them back. After the speed has come to a side, the
// contact is given its delay and some seconds more, because contact and speed
// are read one after the other.
//
// Where neither the fleet file nor the controller says at what speed the
// contact makes, it is not judged. A fan that stands must have it open.
type contactDisagrees struct {
	hold  time.Duration
	stuck [2]contactSide
	why   side
}

// side is the side of its threshold that a contact is proven on.
type side uint8

const (
	above side = iota // where it must be closed
	below             // where it must be open
	amid
)

// contactSide follows the contact on one side of its threshold.
type contactSide struct {
	stand stand
	here  bool // the last sample was on this side
	since int64
}

// (Engineering choices.)
const (
	contactMargin = 0.05             // of speed: the definition's five points
	contactLag    = 20 * time.Second // between speed and contact, beside its delay
	contactGrace  = 15 * time.Second
	contactExit   = time.Minute
)

func (c *contactDisagrees) configure(_ *fan, s condition.Setting) { c.hold = s.Hold }

func (c *contactDisagrees) judge(f *fan, s *sample) condition.State {
	closed, good := s.r.Get(reading.HighSpeed)
	makes, breaks, delay, known := f.threshold(s)
	if !good || !s.hasSpeed || !known {
		return condition.CannotJudge
	}
	at := amid
	switch {
	case s.speed > makes+contactMargin+rounding:
		at = above
	case s.speed < breaks-contactMargin-rounding:
		at = below
	}
	w := wait{hold: c.hold, grace: contactGrace, exit: contactExit}
	for i := range c.stuck {
		c.stuck[i].feed(s, side(i) == at, (closed != 0) != (side(i) == above), delay+contactLag+2*f.pace, w)
	}
	switch {
	case c.stuck[above].stand.full:
		c.why = above
	case c.stuck[below].stand.full:
		c.why = below
	default:
		return condition.Absent
	}
	return condition.Present
}

// feed tells one side what a sample says. Away from this side nothing is
// proven, nor within the time that the contact may take to follow.
func (c *contactSide) feed(s *sample, here, wrong bool, follow time.Duration, w wait) {
	if here && (!c.here || s.gapped()) {
		c.since = s.now
	}
	c.here = here
	if !here || time.Duration(s.now-c.since) < follow {
		c.stand.pause()
		return
	}
	c.stand.feed(s.now, s.gap, wrong, w)
}

// threshold returns the speeds at which the fan's high-speed contact makes and
// breaks, and its delay, by the fleet file or by what the controller reads back.
func (f *fan) threshold(s *sample) (makes, breaks float64, delay time.Duration, known bool) {
	if f.cfg.HasHighSpeed {
		return f.cfg.HighSpeedAt, f.cfg.HighSpeedOffAt, f.cfg.HighSpeedDelay, true
	}
	if makes, known = finite(s.r.Get(reading.HighSpeedAt)); !known {
		return 0, 0, 0, false
	}
	if breaks, known = finite(s.r.Get(reading.HighSpeedOffAt)); !known {
		breaks = makes
	}
	if told, ok := finite(s.r.Get(reading.HighSpeedDelay)); ok {
		delay = time.Duration(told * float64(time.Second))
	}
	return makes, breaks, delay, true
}

func (c *contactDisagrees) since() int64 { return c.stuck[c.why].stand.since }

func (c *contactDisagrees) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *contactDisagrees) rest() {
	for i := range c.stuck {
		c.stuck[i].stand.pause()
		c.stuck[i].here = false
	}
}

func (c *contactDisagrees) forget() { *c = contactDisagrees{hold: c.hold} }
