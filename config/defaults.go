package config

import (
	"time"

	"fanwarden/rules/condition"
)

// What holds where a file says nothing. The reference of the fleet file is
// checked against these.
const (
	defaultPollEvery  = 5 * time.Second
	defaultStaleAfter = 20 * time.Second
	// stalePolls: where polls are long, a value may miss this many of them
	// before it is stale, unless stale_after is given.
	stalePolls       = 4
	leastPollEvery   = 100 * time.Millisecond
	defaultListen    = "127.0.0.1:9640"
	defaultKeep      = 30 * 24 * time.Hour
	mostKeepMB       = 100_000_000 // a hundred terabytes: a slip of the finger is more
	defaultUnit      = 1
	defaultBaud      = 19200 // the serial line specification's default
	defaultDataBits  = 8
	defaultTimeout   = 800 * time.Millisecond
	defaultMaxGap    = 8   // a request more costs more time than eight registers nobody asked for
	mostRegisters    = 125 // of one request: Modbus Application Protocol V1.1b3, section 6.3
	portModbus       = "502"
	portModbusTLS    = "802"
	triesBACnet      = 4       // of a request, by the standard's own default
	portBACnet       = "47808" // BAC0: Annex J.1.2
	lateReplyPerWait = 2       // late_reply, in timeouts, where answers carry no number of their own

	defaultStartDelay   = 3 * time.Second
	defaultRunOn        = 30 * time.Second
	defaultStoppedBelow = 0.05
	defaultMinSpeed     = 0.20
	defaultMaxSpeed     = 1.00
	defaultProbeFactor  = 1.0

	defaultExerciseAtMost = 10 * time.Minute
	longestExercise       = time.Hour

	defaultAirDensity = 1.20138 // kg/m3: standard air, 0.075 lb/ft3
)

// overrideAtMost is how long an override may stand on fans of some duties: one
// that is forgotten there draws conditioned air all night, or keeps a system
// from its own work. (Engineering choices.)
func overrideAtMost(duty Duty) (longest time.Duration, shorter bool) {
	switch duty {
	case Kitchen, Garage:
		return 12 * time.Hour, true
	case SmokeControl:
		return 4 * time.Hour, true
	}
	return 0, false
}

// pages reports whether what a fan is for wants somebody now when it does not
// protect: exhaust of fumes, of exhaust gas, of cooking, and life safety.
// (Engineering choices; the fleet file has the last word.)
func pages(of guarded) bool {
	switch of.duty {
	case Garage, Laboratory, Kitchen, SmokeControl:
		return true
	}
	return of.lifeSafety
}

// unprotected lists the conditions of a fan that does not draw as it should.
func unprotected() []condition.Name {
	return []condition.Name{condition.ControllerFault, condition.InvertedSign, condition.NoEffect, condition.StuckIdle, condition.PinnedAtMax}
}
