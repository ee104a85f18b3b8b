package rules

import (
	"math/bits"
	"slices"
	"time"

	"fanwarden/rules/condition"
)

// explained lists, for a condition, the causes that explain it, the farthest
// first.
//
//   - A gateway that does not answer explains that its fans do not; so does a
//     line on which no unit answers. One that repeats what it once read explains
//     values that stand still.
//   - A controller that has stopped by a fault of its own explains all that its
//     fan does not do.
//   - A sensor that stands still or at the end of its range, and a reading with
//     the wrong sign, explain whatever the controller makes of it. A reading that
//     is driven to the end of its range by the wrong sign is no dead sensor.
//   - A setting that was changed explains what goes by it: the limits of speed a
//     fan that is off its setpoint or too strong at its lowest, the restart a fan
//     that stays idle, the threshold a contact.
//   - A fan that moves nothing is short of its setpoint.
//   - A loop that swings does not hold its setpoint, and may swing to a stop; a fan
//     that keeps starting swings.
//   - A fan that has nothing left at its top needs more speed than it had.
//
// A dead gateway does not explain a fan that was pinned before it died: what
// was found on good readings keeps its state until there are new ones.
func explained(name condition.Name) [8]condition.Name {
	type causes = [8]condition.Name
	const (
		fault, frozen, range_ = condition.ControllerFault, condition.SensorFrozen, condition.SensorOutOfRange
		sign, nothing, hunts  = condition.InvertedSign, condition.NoEffect, condition.Hunting
		setting               = condition.SettingsChanged
	)
	switch name {
	case condition.ControllerSilent:
		return causes{condition.GatewayDown, condition.LineSilent}
	case condition.SensorFrozen:
		return causes{condition.DataNotMoving, fault, sign}
	case condition.SensorOutOfRange:
		return causes{sign}
	case condition.InvertedSign:
		return causes{frozen, range_}
	case condition.NoEffect:
		return causes{fault, frozen, range_, sign}
	case condition.StuckIdle, condition.PinnedAtMin:
		return causes{fault, frozen, range_, sign, setting}
	case condition.Hunting:
		return causes{fault, frozen, range_, sign, nothing, condition.ShortCycling}
	case condition.PinnedAtMax:
		return causes{fault, frozen, range_, sign, nothing}
	case condition.ShortCycling:
		return causes{fault, frozen, range_, sign, hunts}
	case condition.OffSetpoint:
		return causes{fault, frozen, range_, sign, setting, nothing, hunts, condition.PinnedAtMax}
	case condition.ContactDisagrees:
		return causes{setting}
	case condition.CreepingLoad:
		return causes{frozen, range_, sign, nothing, hunts, condition.PinnedAtMax}
	}
	return causes{}
}

// cause returns the condition that explains a fan's condition now, "" where
// none does.
func (f *fan) cause(j *judged) condition.Name {
	if !f.gateway.troubled() && !f.any(j.causes, func(j *judged) bool { return j.life.active }) {
		return "" // as nearly always
	}
	name := j.life.name
	for _, cause := range explained(name) {
		if cause != "" && (f.gateway.active(cause) || f.active(cause)) &&
			(cause != condition.SettingsChanged || f.goesBy(name)) {
			return cause
		}
	}
	return ""
}

// troubled reports whether any condition of the gateway is raised.
func (g *gateway) troubled() bool {
	return g.down.life.active || g.line.life.active || g.repeats.rule.life.active
}

// doubted reports whether a rule that may explain a fan's condition is about
// to come to its word.
func (f *fan) doubted(j *judged) bool {
	return f.any(j.causes, func(j *judged) bool { return j.doubting && j.life.setting.Enabled })
}

// any reports whether one of some of the fan's rules, a bit each, is such.
func (f *fan) any(rules uint32, such func(*judged) bool) bool {
	for ; rules != 0; rules &= rules - 1 {
		if such(&f.rules[bits.TrailingZeros32(rules)]) {
			return true
		}
	}
	return false
}

// settle brings what is told of a condition in line with what explains it. A
// condition that was silenced is raised anew once its evidence has stood for
// its hold again, counted from when the cause was cleared: the cause had
// spoilt the evidence. One that a cause may be about to explain waits for it.
func (e *Engine) settle(f *fan, j *judged, now time.Time) {
	l := &j.life
	cause := f.cause(j)
	switch {
	case cause != "":
		l.silenced = cause
		e.clear(f.source, l, now, condition.Silenced)
		e.urge(f, cause, l.severity, now)
	case l.silenced != "":
		l.end()
		j.rule.forget()
	case !l.active && !f.doubted(j):
		e.raise(f.source, l, now)
	}
}

// relieve drops what the fan's rules were about to find on readings that a
// cause had spoilt, when it is over: a reading that comes back from the end of its
// range is no step of demand.
func (f *fan) relieve(cause *judged) {
	switch cause.life.name {
	case condition.SensorFrozen, condition.SensorOutOfRange, condition.InvertedSign:
	default:
		return
	}
	for i := range f.rules {
		j := &f.rules[i]
		if causes := explained(j.life.name); slices.Contains(causes[:], cause.life.name) {
			j.rule.rest()
		}
	}
}

// urge makes a fan's condition as urgent as what it silences: a fan that stays
// stopped does not become a note because it is known why.
func (e *Engine) urge(f *fan, cause condition.Name, severity condition.Severity, now time.Time) {
	for i := range f.rules {
		if l := &f.rules[i].life; l.name == cause && l.active && l.severity < severity {
			e.clear(f.source, l, now, condition.Superseded)
			l.severity = severity
			e.raise(f.source, l, now)
		}
	}
}
