package rules

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// rule judges one condition of one fan and holds what it must remember from
// reading to reading: a few numbers.
type rule interface {
	// configure takes over the fan's settings; what was gathered is kept and
	// judged by them from now on.
	configure(f *fan, s condition.Setting)
	// judge says what the rule makes of a sample: Present once the evidence
	// has stood for its hold, Absent while it has not or is over, CannotJudge
	// where the sample says nothing and what was stays.
	judge(f *fan, s *sample) condition.State
	// since is when the evidence began, in Unix nanoseconds.
	since() int64
	// severity is how bad what the rule found is.
	severity(s condition.Setting) condition.Severity
	// finding puts what the rule found in words and numbers.
	finding(f *fan, s *sample) condition.Finding
	// rest drops a hold that is running; what was found stays.
	rest()
	// forget drops the evidence gathered so far.
	forget()
}

// doubter is a rule that may be about to find the cause of what others see:
// its evidence has begun and not yet stood for its hold. What it would explain
// is not raised as long as it doubts, so that one cause brings one condition.
// It must come to its word soon, one way or the other.
type doubter interface{ doubts(f *fan, s *sample) bool }

// judged is a rule with what became of its condition. What every reading looks
// at comes first: it fills one line of the processor's cache, and the whole four.
type judged struct {
	rule     rule
	doubter  doubter // the rule as one, nil where it is none
	when     when    `plain:"-"`
	causes   uint32  `plain:"-"` // a bit for each of the fan's rules that may explain this one
	doubting bool    // the rule's last word as a doubter
	life     life
	_        [8]byte `plain:"-"`
}

// fan is all that the engine remembers of one fan.
type fan struct {
	cfg     *config.Fan
	units   units.System
	gateway *gateway
	source  source   `plain:"-"`
	rules   []judged `plain:"-"` // remembered one by one

	// What follows from the fleet file.
	controlled    reading.Point
	dimension     units.Dimension
	sense         float64          // value * sense rises with demand
	counts        float64          // two counts of the controlled value's point
	tolerance     config.Tolerance `plain:"-"`
	setpointPoint bool             // the controller has one to read
	enablePoint   bool
	overridePoint bool
	gap           time.Duration
	ends          ends `plain:"-"` // of what the sensor can read

	// Time.
	seen   bool
	last   int64 // of the last reading
	pace   time.Duration
	behind int   // readings in a row before last, in ascending order
	older  int64 // the last of them
	first  int64 // and the first

	heard      hearing
	mode       mode
	moves      moves
	still      still
	response   response       // of its reading to its speed
	out        bool           // of service: somebody works at it
	partners   []*fan         // of its group: fans that draw from the same riser
	neighbours []*fan         // all of its building, itself too
	zone       *time.Location // that people live by
	level      filter         // of the controlled value, seen from demand
	judgedAt   int64          // when the controlled value was last good
	setpoint   setpoint
	stepped    bool  // the reading stepped while the fan was idle
	stepAt     int64 // when last
}

// configure takes over what the fleet file says of the fan now.
func (f *fan) configure(cfg *config.Fan, fleet *config.Fleet, g *gateway) {
	f.cfg, f.units, f.gateway = cfg, fleet.Units, g
	f.zone = fleet.Zone()
	f.source = source{building: cfg.Building.ID, gateway: g.cfg.ID, fan: cfg.ID}
	f.controlled, f.dimension, f.sense = cfg.Controlled(), units.Pressure, 1
	if cfg.ControlsAirflow {
		f.dimension = units.Flow
	}
	if cfg.ControlsAirflow || cfg.Probe == config.Discharge {
		f.sense = -1
	}
	f.tolerance = cfg.Tolerance()
	f.counts = f.tolerance.Counts
	f.ends = endsOf(cfg)
	_, f.setpointPoint = cfg.Placed(reading.Setpoint)
	_, f.enablePoint = cfg.Placed(reading.Enable)
	_, f.overridePoint = cfg.Placed(reading.Override)
	f.gap = max(3*g.period(fleet), g.staleAfter(fleet))
	for i := range f.rules {
		j := &f.rules[i]
		j.life.setting = cfg.Rules[j.life.name]
		j.rule.configure(f, j.life.setting)
	}
}

// active reports whether a condition of the fan is raised.
func (f *fan) active(name condition.Name) bool {
	for i := range f.rules {
		if f.rules[i].life.name == name {
			return f.rules[i].life.active
		}
	}
	return false
}

// partnerTurned reports whether a fan of the same group has started, stopped or
// been forced within a span before now: then it has moved the pressure that
// they share.
func (f *fan) partnerTurned(now int64, within time.Duration) bool {
	for _, p := range f.partners {
		if since := time.Duration(now - p.mode.turnedAt); p.mode.turned && since.Abs() <= within {
			return true
		}
	}
	return false
}

// severity lowers a severity to a note before the fan is in service.
func (f *fan) severity(s condition.Severity, now time.Time) condition.Severity {
	if now.Before(f.cfg.InService) {
		return condition.Note
	}
	return s
}

// show writes a value of the fan's controlled kind for people.
func (f *fan) show(value float64) string { return f.units.Format(value, f.dimension) }

// key is the name of a number of the fan's controlled kind in the evidence.
func (f *fan) key(what string) string {
	if f.cfg.ControlsAirflow {
		return what + "_m3s"
	}
	return what + "_pa"
}
