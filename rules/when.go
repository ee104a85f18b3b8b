package rules

import (
	"slices"
	"time"

	"fanwarden/rules/condition"
)

// when says in which modes of the fan a rule may judge, and how long after a
// change it waits for the pressure to follow: after a start, a stop, the beginning
// or end of a forced speed, a new setpoint, a gap in the readings. Rules that
// look at the change itself wait for nothing; some wait longer by themselves, as
// their own definition says.
//
// In another mode the rule rests: a hold that is running is dropped, and what
// stands keeps its last state. While nobody knows what the fan does, or the rule
// waits, it is not asked and keeps what it has.
type when struct {
	modes  modes
	after  uint16 // s
	always bool   // in every mode, and whatever could not be read
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
		d, _ := r.(doubter)
		return judged{rule: r, doubter: d, when: w, life: life{name: name}}
	}
	// All in one piece: a reading goes through them in this order, and what lies
	// side by side comes into the processor's cache together.
	var own struct {
		silent           silent
		controllerFault  controllerFault
		frozen           frozen
		outOfRange       outOfRange
		inverted         inverted
		settingsChanged  settingsChanged
		noEffect         noEffect
		stuck            stuck
		pinned           pinned
		pinnedAtMin      pinnedAtMin
		hunting          hunting
		offSetpoint      offSetpoint
		contactDisagrees contactDisagrees
		shortCycling     shortCycling
		overrideLeftOn   overrideLeftOn
		creeping         creeping
	}
	all := []judged{
		of(condition.ControllerSilent, &own.silent, when{always: true}),
		of(condition.ControllerFault, &own.controllerFault, when{modes: running | resting | driven}),
		of(condition.SensorFrozen, &own.frozen, when{modes: running | resting | driven}),
		of(condition.SensorOutOfRange, &own.outOfRange, when{modes: running | resting}),
		of(condition.InvertedSign, &own.inverted, when{modes: running | resting | driven}),
		of(condition.SettingsChanged, &own.settingsChanged, when{modes: running | resting | driven}),
		of(condition.NoEffect, &own.noEffect, when{modes: running&^in(condition.Starting) | driven}),
		of(condition.StuckIdle, &own.stuck, when{modes: running | resting}),
		of(condition.PinnedAtMax, &own.pinned, when{modes: running | resting}),
		of(condition.PinnedAtMin, &own.pinnedAtMin, when{modes: running, after: uint16(settling / time.Second)}),
		of(condition.Hunting, &own.hunting, when{modes: running}),
		of(condition.OffSetpoint, &own.offSetpoint, when{modes: running, after: uint16(settling / time.Second)}),
		of(condition.ContactDisagrees, &own.contactDisagrees, when{modes: running | resting | driven}),
		of(condition.ShortCycling, &own.shortCycling, when{modes: running | resting}),
		of(condition.OverrideLeftOn, &own.overrideLeftOn, when{modes: running | resting | driven}),
		of(condition.CreepingLoad, &own.creeping, when{modes: running}),
	}
	return linked(all)
}

// linked notes with every rule which of the fan's others may explain what it
// finds.
func linked(all []judged) []judged {
	for i := range all {
		causes := explained(all[i].life.name)
		for k := range all {
			if slices.Contains(causes[:], all[k].life.name) {
				all[i].causes |= 1 << k
			}
		}
	}
	return all
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
	case f.unsure() || s.settled < time.Duration(j.when.after)*time.Second:
		return condition.CannotJudge
	}
	return j.rule.judge(f, s)
}
