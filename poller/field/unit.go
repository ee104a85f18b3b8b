package field

import (
	"math/rand/v2"

	"fanwarden/config"
)

// Places of the troubles of fans in the catalogue.
const (
	undersized = iota
	leaking
	setpointOutOfReach
	deafWhenIdle
	restartOutOfReach
	tubeOff
	probeWrongSide
	tubesSwapped
	signLost
	overFast
	contactOpen
	contactClosed
	contactThreshold
	motorOff
	tripped
	notPermitted
	sensorFrozen
	sensorDrifting
	sensorOutOfRange
	leftInHand
	shortCycling
	slowLoading
	settingsChanged
	minSpeedRaised
	crowded
	silentUnit
	objectFault
	outOfService
	overridden
	wrongUnit
	polarityTurned
	refusesMultiple
	smallAPDU
	refusesSubscriptions
	moved
)

// unit is one fan with its motor, controller and sensor.
type unit struct {
	cfg        *config.Fan
	rnd        *rand.Rand
	wheel      wheel
	probe      flowProbe // of a fan that controls airflow; zero: it measures the flow itself
	sensor     sensor
	controller controller
	design     design

	speed    float64 // of the wheel
	flow     float64 // m3/s
	standsBy bool
	called   bool
	callFor  float64
	watts    float64
	energy   float64 // J
	ran      float64 // s
	forceOn  bool    // by a write
	force    float64
	troubles [ofFans]trouble
	atTop    bool
	was      state
}

// Motor ramps, ratio a second: drives are set so that a wheel takes most of a
// minute up. (Common practice of the trade.)
const (
	rampUp   = 0.03
	rampDown = 0.04
	inertia  = 3 // s, of wheel and motor
)

// turn moves the wheel towards its commanded speed.
func (u *unit) turn() {
	target := u.controller.command
	if u.troubles[motorOff].on {
		target = 0
	}
	u.speed += min(max((target-u.speed)/inertia, -rampDown), rampUp)
}

// built is the wheel that the fan has: a smaller one where it is undersized.
func (u *unit) built() wheel {
	if t := &u.troubles[undersized]; t.on {
		return u.wheel.cut(t.or(u.design.tooSmall))
	}
	return u.wheel
}

// head is what the wheel adds at no flow and its speed, in Pa.
func (u *unit) head() float64 {
	w := u.built()
	return w.pressure(u.speed, 0)
}

// opens returns the leakage of the riser with what the fan's troubles add.
func (u *unit) opens(f *Field, leak float64) float64 {
	if t := &u.troubles[leaking]; t.on {
		leak *= t.or(u.design.tooLeaky)
	}
	if t := &u.troubles[slowLoading]; t.on {
		leak *= 1 + t.or(1)*f.now.Sub(t.since).Hours()/(7*24)
	}
	return leak
}

// crowd returns the conductance of the open branches of its riser with the crowd
// that the fan is given.
func (u *unit) crowd(open, all float64) float64 {
	if t := &u.troubles[crowded]; t.on {
		return max(open, t.or(u.design.crowd)*all)
	}
	return open
}

// sense reads the probe.
func (u *unit) sense(r *riser, f *Field, wind float64) {
	if u.troubles[sensorFrozen].on {
		return
	}
	value := u.flow
	switch {
	case !u.cfg.ControlsAirflow:
		value = r.pressure(u, wind)
	case u.probe.k > 0:
		value = u.probe.pressure(u.flow)
		if u.troubles[probeWrongSide].on {
			value = -value
		}
	case u.troubles[probeWrongSide].on:
		value = -value
	}
	if u.troubles[tubeOff].on {
		value = 0
	}
	if u.troubles[tubesSwapped].on {
		value = -value
	}
	if t := &u.troubles[sensorDrifting]; t.on {
		value += t.or(u.design.drift) * f.now.Sub(t.since).Hours()
	}
	u.sensor.step(u.rnd, value)
	if t := &u.troubles[sensorOutOfRange]; t.on {
		u.sensor.reads = u.sensor.high
		if u.controller.setpoint < 0 != (t.size < 0) {
			u.sensor.reads = u.sensor.low
		}
	}
}

// controlled is what the controller takes its sensor's reading for.
func (u *unit) controlled() float64 {
	if u.cfg.ControlsAirflow && u.probe.k > 0 {
		return u.probe.flow(u.sensor.reads)
	}
	return u.sensor.reads
}

// decide is one second of the controller and the meters.
func (u *unit) decide(f *Field) {
	in := inputs{reads: u.controlled(), permitted: !u.troubles[notPermitted].on && (!u.standsBy || u.called),
		tripped: u.troubles[tripped].on, deaf: u.troubles[deafWhenIdle].on, restless: u.troubles[shortCycling].on,
		force: u.forceOn, forced: u.force, hurry: 1}
	c := &u.controller
	if t := &u.troubles[leftInHand]; t.on {
		in.force, in.forced = true, t.or(c.override)
	}
	if t := &u.troubles[overFast]; t.on {
		in.hurry = t.or(50)
	}
	c.setpoint = u.setpoint()
	c.restart = u.restart()
	c.min = u.minSpeed()
	c.highOn, c.highOff = u.highSpeed()
	c.step(&in)
	u.meter()
	u.tell(f)
}

// setpoint is what the controller is set to, with what its troubles make of it.
func (u *unit) setpoint() float64 {
	set := u.design.settings.setpoint
	if t := &u.troubles[settingsChanged]; t.on {
		set *= t.or(1.5)
	}
	if t := &u.troubles[setpointOutOfReach]; t.on {
		set *= t.or(u.design.tooFar)
	}
	return set
}

func (u *unit) restart() float64 {
	rise := u.design.settings.restart
	if t := &u.troubles[restartOutOfReach]; t.on {
		rise *= t.or(u.design.tooHigh)
	}
	return rise
}

// minSpeed is the lowest speed that the controller is set to.
func (u *unit) minSpeed() float64 {
	least := u.design.settings.min
	if t := &u.troubles[minSpeedRaised]; t.on {
		return min(t.or(max(least, 0.6)), u.controller.max)
	}
	return least
}

func (u *unit) highSpeed() (on, off float64) {
	s := &u.design.settings
	if t := &u.troubles[contactThreshold]; t.on {
		at := t.or(max(s.highOn-0.4, s.min+0.05))
		return at, max(at-(s.highOn-s.highOff), at/2) // it breaks at a standstill, however early it makes
	}
	return s.highOn, s.highOff
}

// meter counts power, energy and hours.
func (u *unit) meter() {
	w := u.built()
	u.watts = w.power(u.speed, u.flow)
	u.energy += u.watts
	if u.speed >= still {
		u.ran++
	}
}

// tell notes what the fan began or ceased to do.
func (u *unit) tell(f *Field) {
	c := &u.controller
	if moves := c.state >= running; moves != (u.was >= running) {
		switch {
		case moves:
			f.note(u, Started)
		case c.state == idle:
			f.note(u, WentIdle)
		default:
			f.note(u, Stopped)
		}
	}
	u.was = c.state
	if top := c.command >= c.max-topNearness; top != u.atTop {
		u.atTop = top
		if top {
			f.note(u, ReachedTop)
		} else {
			f.note(u, LeftTop)
		}
	}
}
