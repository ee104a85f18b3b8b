package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
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

func (c *contactDisagrees) finding(f *fan, s *sample) condition.Finding {
	makes, breaks, _, _ := f.threshold(s)
	stood := c.stuck[c.why].stand.stood
	percent := func(v float64) string { return f.units.Format(v, units.Ratio) }
	finding := condition.Finding{
		Summary: "the high-speed contact is open at " + percent(s.speed) + " speed, for " + units.Span(stood) +
			" of such speeds; it should close at " + percent(makes),
		Evidence: []condition.Number{{Name: "speed", Value: s.speed}, {Name: "high_speed", Value: 0},
			{Name: "high_speed_at", Value: makes}, {Name: "high_speed_off_at", Value: breaks},
			{Name: "stood_s", Value: stood.Seconds()}},
		Causes: openCauses(),
	}
	if c.why == below {
		finding.Summary = "the high-speed contact is closed at " + percent(s.speed) + " speed, for " + units.Span(stood) +
			" of such speeds; it should open below " + percent(breaks)
		finding.Evidence[1].Value = 1
		finding.Causes = closedCauses()
	}
	return finding
}

func openCauses() []condition.Cause {
	return []condition.Cause{
		{What: "the contact's threshold is set higher than the fleet file says",
			Check: "compare `high_speed_at` with the controller's own setting, and see on the trend whether the contact ever closes"},
		{What: "the wire between contact and gateway is off, or the input is wired to another contact",
			Check: "see with `fanwarden points` whether its input ever changes, and whether a neighbour's changes with this fan"},
		{What: "the contact or its relay has failed open",
			Check: "have a licensed electrician measure at the terminals; the contact may carry another system's voltage"},
		{What: "the contact is wired the other way round",
			Check: "see on the trend whether it is closed at low speed: then the point map wants invert = true"},
	}
}

func closedCauses() []condition.Cause {
	return []condition.Cause{
		{What: "the contact's threshold is set lower than the fleet file says",
			Check: "compare `high_speed_at` with the controller's own setting, and see on the trend at what speed the contact makes"},
		{What: "the contact is welded, or its wires touch",
			Check: "find out what the contact switches or reports to before anybody works at it; have a licensed electrician measure"},
		{What: "the contact is wired the other way round",
			Check: "see on the trend whether it opens at high speed: then the point map wants invert = true"},
	}
}
