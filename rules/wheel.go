package rules

import (
	"fmt"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// wheel compares what is read beside the controlled value with what it was
// while the fan pulled.
type wheel struct {
	power filter // W, while it pulled clearly
	rpm   filter // at full speed: rpm / speed
	speed filter // of power

	says  wheelSays // its last word
	shown float64   // rpm or power that says it
	usual float64   // what it ought to be
}

// wheelSays is what something independent says of the wheel.
type wheelSays uint8

const (
	nobodySays  wheelSays = iota
	wheelTurns            // its speed or a proof says so
	wheelLoaded           // it takes the power of a fan that moves air
	wheelStands           // what follows says that it does not turn
	proofOff
	noRotation
	noPower
)

// (Engineering choices.)
const (
	learnWheel = 10 * time.Minute
	lowRPM     = 0.1  // of what it turns at that speed
	lowPower   = 0.35 // of the power it took when it pulled
	lowRated   = 0.1  // of its rating, by the cube of the speed
	fairRPM    = 0.7
	fairPower  = 0.6 // of what it took when it pulled, by the cube of the speed
)

// learn takes a sample of a fan that pulls clearly.
func (w *wheel) learn(f *fan, s *sample) {
	if max(s.level, s.demand) > clearly*s.target || s.speed < heldLowest || s.settled < settling {
		return
	}
	if power, ok := finite(s.r.Get(reading.Power)); ok && power > 0 {
		w.power.feed(power, s.step, learnWheel)
		w.speed.feed(s.speed, s.step, learnWheel)
	}
	if rpm, ok := finite(s.r.Get(reading.RPM)); ok && rpm > 0 {
		w.rpm.feed(rpm/s.speed, s.step, learnWheel)
	}
}

// look says what a sample shows of the wheel. A fan's power falls by no more
// than the cube of its speed (fan laws), and never as its speed rises; a motor
// that takes as much as the cube asks moves air.
func (w *wheel) look(f *fan, s *sample) wheelSays {
	w.says = nobodySays
	if rpm, ok := finite(s.r.Get(reading.RPM)); ok {
		full := max(w.rpm.value, f.cfg.RatedRPM)
		w.shown, w.usual = rpm, full*s.speed
		if full > 0 && rpm < lowRPM*w.usual {
			return w.say(noRotation)
		} else if full > 0 && rpm > fairRPM*w.usual {
			w.says = wheelTurns
		}
	}
	if on, ok := finite(s.r.Get(reading.Proof)); ok && on == 0 {
		return w.say(proofOff)
	} else if ok {
		w.says = wheelTurns
	}
	if power, ok := finite(s.r.Get(reading.Power)); ok {
		cube := s.speed * s.speed * s.speed
		limit, usual := lowRated*f.cfg.RatedPower*cube, f.cfg.RatedPower*cube
		if w.power.begun {
			usual = w.power.value * min(1, cube/(w.speed.value*w.speed.value*w.speed.value))
			limit = lowPower * usual
		}
		if usual > 0 && power < limit {
			w.shown, w.usual = power, usual
			return w.say(noPower)
		}
		if full := w.power.value * cube / (w.speed.value * w.speed.value * w.speed.value); w.power.begun && power >= fairPower*full {
			w.says = wheelLoaded
		}
	}
	return w.says
}

func (w *wheel) say(what wheelSays) wheelSays {
	w.says = what
	return what
}

// words say what shows that the wheel does not turn.
func (w *wheel) words(f *fan) string {
	switch w.says {
	case proofOff:
		return "its proof is off"
	case noRotation:
		return fmt.Sprintf("it turns at %.0f rpm instead of about %.0f", w.shown, w.usual)
	}
	return "it takes " + f.units.Format(w.shown, units.Power) + " instead of about " + f.units.Format(w.usual, units.Power)
}

// numbers adds what the words rest on to the evidence.
func (w *wheel) numbers(add func(name string, value float64)) {
	switch w.says {
	case proofOff:
		add("proof", 0)
	case noRotation:
		add("rpm", w.shown)
		add("usual_rpm", w.usual)
	case noPower:
		add("power_w", w.shown)
		add("usual_power_w", w.usual)
	}
}
