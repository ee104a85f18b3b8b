package field

import "fanwarden/config"

// state is what a controller is doing.
type state uint8

const (
	resting  state = iota // not permitted, tripped, or not called for
	idle                  // stopped by itself
	starting              // decided to run, the start delay is running
	running
	forced
)

// settings are what a controller goes by; each can be read back.
type settings struct {
	setpoint   float64 // Pa or m3/s, as its sensor reads
	sense      float64 // value * sense rises with demand
	gain       float64 // of the plant, in units of the sensor at full change of speed
	response   float64 // s
	min, max   float64 // speed
	goesIdle   bool
	idleBelow  float64
	runOn      float64 // s
	restart    float64 // Pa past setpoint
	startDelay float64 // s
	override   float64 // speed
	highOn     float64 // speed at which the contact makes
	highOff    float64 // and breaks
	highDelay  float64 // s
}

// newSettings takes a fan's settings from the fleet file, with what its plant
// answers to a change of speed.
func newSettings(f *config.Fan, setpoint, gain, response float64) settings {
	s := settings{setpoint: setpoint, sense: 1, gain: gain, response: response, min: f.MinSpeed, max: f.MaxSpeed,
		goesIdle: f.GoesIdle && !f.ControlsAirflow, idleBelow: f.IdleBelow, runOn: f.RunOn.Seconds(), restart: f.RestartRise,
		startDelay: f.StartDelay.Seconds(), override: f.OverrideSpeed, highOn: f.HighSpeedAt, highOff: f.HighSpeedOffAt,
		highDelay: f.HighSpeedDelay.Seconds()}
	if f.ControlsAirflow || f.Probe == config.Discharge {
		s.sense = -1
	}
	if !f.HasOverride {
		s.override = f.MaxSpeed
	}
	if !f.HasHighSpeed {
		s.highOn, s.highOff = 0.8, 0.75
	}
	if !f.HasRestartRise {
		s.restart = 1.5 * abs(setpoint)
	}
	return s
}

// inputs are what a controller is told in one second.
type inputs struct {
	reads     float64
	permitted bool
	tripped   bool
	force     bool
	forced    float64 // speed
	deaf      bool    // does not start again
	restless  bool    // starts again as soon as it is idle
	hurry     float64 // how much faster than set it responds
}

// controller is a PI controller with an idle mode.
type controller struct {
	settings
	state    state
	integral float64 // speed
	command  float64 // speed, 0 where it stands
	since    float64 // s in this state
	low      float64 // s that the demanded speed was low
	past     float64 // s that the reading was past the restart point
	high     bool    // the high-speed contact
	turning  float64 // s that the contact has wanted to change
}

// proportional is the controller's gain on the error itself, as a share of the
// plant's inverse. (Engineering choice: mild, for its sensor is noisy.)
const proportional = 0.15

// mostError bounds the error that a second can act on, in shares of the
// plant's gain, so that a large one does not slam the motor.
const mostError = 0.6

// quickRestart is how long a restless controller stays idle, in s.
const quickRestart = 25

// step is one second of the controller.
func (c *controller) step(in *inputs) {
	c.since++
	short := c.sense * (in.reads - c.setpoint)
	switch {
	case !in.permitted || in.tripped:
		c.enter(resting)
		c.command = 0
	case in.force:
		c.enter(forced)
		c.command, c.integral = in.forced, min(max(in.forced, c.min), c.max)
	case c.state == resting:
		c.enter(starting)
	case c.state == forced:
		c.enter(running)
		c.control(short, in.hurry)
	case c.state == idle:
		c.rest(short, in)
	case c.state == starting:
		if c.since >= c.startDelay {
			c.enter(running)
			c.integral, c.command = c.min, c.min
		}
	default:
		c.control(short, in.hurry)
	}
	c.command = min(max(c.command, 0), 1)
	c.contact()
}

func (c *controller) enter(s state) {
	if c.state != s {
		c.state, c.since, c.low, c.past = s, 0, 0, 0
	}
}

// control moves the speed towards setpoint. The integral stops at the limits
// of speed, so that it does not wind up there. A hurry shortens the response
// time: the integral outruns the motor's ramp and the sensor's lag, and the
// loop swings.
func (c *controller) control(short, hurry float64) {
	e := min(max(short/c.gain, -mostError), mostError)
	floor := c.min
	if c.goesIdle {
		floor = min(floor, c.idleBelow) - 0.02
	}
	c.integral = min(max(c.integral+e*hurry/c.response, floor), c.max)
	demanded := min(max(c.integral+proportional*e, floor), c.max)
	c.command = max(demanded, c.min)
	if !c.goesIdle || demanded > c.idleBelow {
		c.low = 0
		return
	}
	if c.low++; c.low >= c.runOn {
		c.enter(idle)
		c.command, c.integral = 0, c.min
	}
}

// rest waits, idle, for the reading to pass the restart point.
func (c *controller) rest(short float64, in *inputs) {
	c.command = 0
	if short >= c.restart {
		c.past++
	} else {
		c.past = 0
	}
	if (c.past > 0 || in.restless && c.since >= quickRestart) && !in.deaf {
		c.enter(starting)
	}
}

// contact makes and breaks the high-speed contact, with its delay.
func (c *controller) contact() {
	want := c.command >= c.highOn || c.high && c.command >= c.highOff
	if want == c.high {
		c.turning = 0
		return
	}
	if c.turning++; c.turning > c.highDelay {
		c.high, c.turning = want, 0
	}
}

func abs(v float64) float64 { return max(v, -v) }
