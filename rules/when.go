package rules

import (
	"time"

	"fanwarden/rules/condition"
)

// when says when a rule may judge: in which modes of the fan, and how long
// after a change it waits for the pressure to follow. A change is a start, a
// stop, the beginning or end of a forced speed, a new setpoint and a gap in the
// readings.
//
// In another mode the rule rests: a hold that is running is dropped, and what
// stands keeps its last state. While nobody knows what the fan does, and while a
// rule waits, the rule is not asked and keeps what it has.
type when struct {
	modes  modes
	after  time.Duration
	always bool // in every mode, and whatever could not be read
}

// modes is a set of modes.
type modes uint16

func in(all ...condition.Mode) modes {
	var set modes
	for _, m := range all {
		set |= 1 << m
	}
	return set
}

func (m modes) has(one condition.Mode) bool { return m&(1<<one) != 0 }

// running are the modes in which a fan turns at a speed of its controller's
// own choice, resting those in which it stands of its own accord.
const (
	running = modes(1<<condition.Starting | 1<<condition.Controlling | 1<<condition.AtMax | 1<<condition.AtMin | 1<<condition.RunOn)
	resting = modes(1<<condition.Idle | 1<<condition.Stopped)
	driven  = modes(1 << condition.Forced)
)

// newRules returns the rules that every fan is judged by, in the order of
// cause before consequence, and when each may judge.
func newRules() []judged {
	of := func(name condition.Name, r rule, w when) judged {
		return judged{rule: r, when: w, life: life{name: name}}
	}
	return []judged{
		of(condition.ControllerSilent, &silent{}, when{always: true}),
		of(condition.ControllerFault, &controllerFault{}, when{modes: running | resting | driven}),
		of(condition.SensorFrozen, &frozen{}, when{modes: running | resting | driven}),
		of(condition.SensorOutOfRange, &outOfRange{}, when{modes: running | resting}),
		of(condition.InvertedSign, &inverted{}, when{modes: running | resting | driven}),
		of(condition.SettingsChanged, &settingsChanged{}, when{modes: running | resting | driven}),
		of(condition.NoEffect, &noEffect{}, when{modes: running&^in(condition.Starting) | driven}),
		of(condition.StuckIdle, &stuck{}, when{modes: running | resting}),
		of(condition.PinnedAtMax, &pinned{}, when{modes: running | resting}),
		of(condition.PinnedAtMin, &pinnedAtMin{}, when{modes: running}),
		of(condition.Hunting, &hunting{}, when{modes: running}),
		of(condition.OffSetpoint, &offSetpoint{}, when{modes: running}),
		of(condition.ContactDisagrees, &contactDisagrees{}, when{modes: running | resting | driven}),
		of(condition.ShortCycling, &shortCycling{}, when{modes: running | resting}),
		of(condition.OverrideLeftOn, &overrideLeftOn{}, when{modes: running | resting | driven}),
		of(condition.CreepingLoad, &creeping{}, when{modes: running}),
	}
}

// ask puts a sample to a rule where it may judge it. A fan that is not
// permitted to run, or is forced to stand, is not judged.
func (j *judged) ask(f *fan, s *sample) condition.State {
	switch {
	case j.when.always:
		return j.rule.judge(f, s)
	case s.mode == condition.Unknown || s.repeated:
		return condition.CannotJudge
	case !j.when.modes.has(s.mode) || s.mode == condition.Forced && f.mode.resting:
		j.rule.rest()
		return condition.CannotJudge
	case f.unsure() || s.settled < j.when.after:
		return condition.CannotJudge
	}
	return j.rule.judge(f, s)
}
