package rules

import (
	"slices"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// settingsChanged judges settings_changed: a setting that the controller reads
// back is no longer what it was recorded to be, for the hold. What was recorded
// is what the fleet file says of the setting; where it does not, what was found
// at turnover, or else what the controller said when it was first heard, for as
// long as the hold. A difference of one count of the setting's register is rounding. The setpoint is
// no setting here: others may move it from afar.
//
// It is over when all settings are what they were, or the fleet file says what
// they are now.
type settingsChanged struct {
	hold    time.Duration
	first   [settings]recorded
	differs uint16 // a bit for each setting that differs, as last read
	which   reading.Point
	stand   stand
}

// settings is how many settings a controller may read back, from MinSpeed on.
const settings = int(reading.HighSpeedDelay-reading.MinSpeed) + 1

// recorded is a setting as it was first read.
type recorded struct {
	known bool
	begun bool
	value float64
	at    int64 // since when it has read so
}

// settingsExit is how long all must be well again. (Engineering choice.)
const settingsExit = time.Minute

func (c *settingsChanged) configure(f *fan, s condition.Setting) {
	c.hold = s.Hold
	for i := range c.first {
		if _, mapped := f.cfg.Placed(reading.MinSpeed + reading.Point(i)); !mapped {
			c.differs &^= 1 << i
		}
	}
}

func (c *settingsChanged) judge(f *fan, s *sample) condition.State {
	any := false
	for i := range c.first {
		p := reading.MinSpeed + reading.Point(i)
		if s.r.Quality(p) != reading.Good { // of most recordings none is
			continue
		}
		value, good := finite(s.r.Get(p))
		if !good {
			continue
		}
		any = true
		c.compare(f, s, i, value)
	}
	if !any {
		return condition.CannotJudge
	}
	if c.stand.feed(s.now, s.gap, c.differs != 0, wait{hold: c.hold, grace: settingsExit, exit: settingsExit}) {
		return condition.Present
	}
	return condition.Absent
}

// compare notes whether the i-th setting is what it was recorded to be, or
// records it.
func (c *settingsChanged) compare(f *fan, s *sample, i int, value float64) {
	p := reading.MinSpeed + reading.Point(i)
	was, known := c.was(f, p)
	if !known {
		c.record(f, s, i, value)
		return
	}
	if f.cfg.SameSetting(p, was, value) {
		c.differs &^= 1 << i
		return
	}
	if c.differs == 0 {
		c.which = p
	}
	c.differs |= 1 << i
}

// was is what a setting was recorded to be.
func (c *settingsChanged) was(f *fan, p reading.Point) (float64, bool) {
	if given, ok := f.cfg.Given(p); ok {
		return given, true
	}
	first := c.first[p-reading.MinSpeed]
	return first.value, first.known
}

// record keeps a setting once it has read the same for the hold.
func (c *settingsChanged) record(f *fan, s *sample, i int, value float64) {
	first := &c.first[i]
	if !first.begun || !f.cfg.SameSetting(reading.MinSpeed+reading.Point(i), value, first.value) {
		*first = recorded{begun: true, value: value, at: s.now}
	}
	first.known = time.Duration(s.now-first.at) >= c.hold
}

// goesBy reports whether a condition goes by a setting that has been changed.
func (f *fan) goesBy(name condition.Name) bool {
	var points []reading.Point
	switch name {
	case condition.OffSetpoint, condition.PinnedAtMin:
		points = []reading.Point{reading.MinSpeed, reading.MaxSpeed}
	case condition.StuckIdle:
		points = []reading.Point{reading.IdleBelow, reading.RunOn, reading.RestartRise, reading.StartDelay}
	case condition.ContactDisagrees:
		points = []reading.Point{reading.HighSpeedAt, reading.HighSpeedOffAt, reading.HighSpeedDelay}
	}
	for i := range f.rules {
		if c, is := f.rules[i].rule.(*settingsChanged); is {
			return slices.ContainsFunc(points, func(p reading.Point) bool { return c.differs&(1<<(p-reading.MinSpeed)) != 0 })
		}
	}
	return false
}

func (c *settingsChanged) since() int64 { return c.stand.since }

func (c *settingsChanged) severity(s condition.Setting) condition.Severity { return s.Severity }

func (c *settingsChanged) rest() { c.stand.rest() }

// forget keeps what was recorded: it is no evidence.
func (c *settingsChanged) forget() { c.stand.forget() }

// SetBaseline records the settings of a fan that were found when it was handed
// over: settings_changed compares with them from then on, but for those that the
// fleet file gives. A fan that is not in the fleet is left out.
func (e *Engine) SetBaseline(id reading.FanID, b condition.Baseline) {
	f := e.fans[id]
	if f == nil {
		return
	}
	for i := range f.rules {
		if c, is := f.rules[i].rule.(*settingsChanged); is {
			for p, value := range b.Settings {
				if at := int(p) - int(reading.MinSpeed); at >= 0 && at < settings {
					c.first[at] = recorded{known: true, begun: true, value: value}
				}
			}
		}
	}
}
