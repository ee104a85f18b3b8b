package field

import (
	"math"
	"math/rand/v2"

	"fanwarden/config"
)

// design is what a fan was built and set to, and the sizes at which a trouble
// shows clearly for it.
type design struct {
	settings settings
	tooSmall float64 // of its pressure
	tooLeaky float64 // times the leakage
	tooFar   float64 // times the setpoint
	tooHigh  float64 // times the restart rise
	drift    float64 // a hour
	crowd    float64 // times all branches
}

// plan is the sizing of a riser, in the units of the model. (Engineering
// choices, so that fans behave as fans of their duty do: at full speed and full
// flow a fan gives several times its setpoint, leakage is a part of the flow,
// and what is open on an ordinary day is within what the fans can do.)
type plan struct {
	hold    float64 // Pa held at the probe, above zero
	flow    float64 // m3/s at full speed and `spare` times hold, all fans together
	shutoff float64 // Pa
	slope   float64 // Pa s2/m6 of all fans together, wheel and outlet
	closed  float64 // m3/s at 1 Pa of all fans, stopped
	leak    float64 // m3/s at 1 Pa
	always  float64 // m3/s at 1 Pa of branches that never close
	each    float64 // m3/s at 1 Pa of one branch
	count   int     // branches
	most    int     // open on an ordinary day
	push    float64 // Pa
}

// spare is what a fan gives at full speed and full flow, in setpoints.
const spare = 3.5

// Fans whose setpoint is not in the fleet file hold these.
const (
	commonSuction   = -30.0 // Pa
	commonDischarge = 60.0
	commonFlow      = 0.5  // m3/s
	flowDrop        = 80.0 // Pa over what a fan that controls airflow draws through
)

// newPlan sizes a riser for a fan, n of which share the work.
func newPlan(f *config.Fan, setpoint float64, rnd *rand.Rand) plan {
	p := plan{hold: abs(setpoint), flow: between(rnd, 0.35, 1.1), push: 8, count: 16, most: 5}
	leaks, closed := 0.22, 0.05
	p.shutoff = spare*p.hold + between(rnd, 350, 480)
	point := 0.0
	switch {
	case f.ControlsAirflow:
		p.hold, p.flow, p.shutoff = flowDrop, 1.25*setpoint, 480
		p.push, leaks, closed = 0, 0.05, 0.02
	case f.GoesIdle:
		slow := min(max(f.IdleBelow, 0.15), 0.6)
		p.shutoff = max(p.shutoff, min(1.35*p.hold/(slow*slow), 45*p.hold))
		leaks, closed, p.count, p.most = 0.03, 0.03, 8, 3
		rise := f.RestartRise
		if !f.HasRestartRise {
			rise = 1.5 * p.hold
		}
		point = rise - p.hold
		p.push = max(between(rnd, 52, 62), point+35)
	case pushes(f.Duty) && f.Probe == config.Suction:
		p.push = between(rnd, 55, 65)
	case f.Probe == config.Discharge:
		p.push = 0
	}
	p.slope = (p.shutoff - spare*p.hold) / (p.flow * p.flow)
	p.leak = leaks * p.flow / math.Pow(p.hold, leakExponent)
	p.closed = closed * p.flow / math.Sqrt(30)
	wanted := p.flow * (1 - leaks) / math.Sqrt(p.push+p.hold) // of branches, for the full flow
	if f.ControlsAirflow {
		p.always, wanted = 0.75*setpoint/math.Sqrt(p.hold), 0.6*setpoint/math.Sqrt(p.hold)
		p.count, p.most = 8, 6
		p.each = wanted / float64(p.count)
		return p
	}
	if !f.GoesIdle {
		p.always = 0.15 * wanted
	}
	p.each = 2.4 * wanted / float64(p.count)
	if need := 2 * (leakFlow(p.leak, point) + p.closed*math.Sqrt(max(0, point+40))); point > 0 {
		p.each = max(p.each, need/math.Sqrt(p.push-point))
	}
	return p
}

// newRiser builds the riser of some fans that share it.
func newRiser(members []*config.Fan, seed uint64, f *Field) *riser {
	first := members[0]
	rnd := newRand(seed, string(first.ID), "riser")
	setpoint := setpointOf(first)
	p := newPlan(first, setpoint, rnd)
	r := &riser{rnd: rnd, units: make([]unit, len(members)), fans: make([]outflow, len(members)), sense: 1, leakage: p.leak,
		height: first.RiserHeight, exposure: between(rnd, 0.1, 0.3), day: -1}
	if first.Probe == config.Discharge && !first.ControlsAirflow {
		r.sense = -1
	}
	if r.height == 0 {
		r.height = between(rnd, 6, 14)
	}
	r.push, r.level = p.push, -p.hold
	r.branches = newBranches(first.Duty, p, newRand(seed, string(first.ID), "branches"))
	if first.GoesIdle {
		r.branches.habit.long *= 1.5
		r.branches.quiet = seldom
	}
	at := 1.0
	if n := working(members); n > 1 {
		at = 1 / float64(n)
	}
	for i, member := range members {
		newUnit(&r.units[i], member, setpointOf(member), p, at, newRand(seed, string(member.ID), "fan"))
	}
	r.sideBySide = len(members) > 1 && r.lead() == nil
	return r
}

// seldom keeps a riser whose fan goes idle from being used so often that a
// healthy fan would start six times in an hour, in s.
const seldom = 10 * 60

// working counts the fans that share the work of a riser at all times.
func working(members []*config.Fan) int {
	n := 0
	for _, m := range members {
		if m.Role != config.Lag && m.Role != config.Standby {
			n++
		}
	}
	return n
}

func setpointOf(f *config.Fan) float64 {
	switch {
	case f.HasSetpoint && f.Setpoint != 0:
		return f.Setpoint
	case f.ControlsAirflow:
		return commonFlow
	case f.Probe == config.Discharge:
		return commonDischarge
	}
	return commonSuction
}

func newBranches(duty config.Duty, p plan, rnd *rand.Rand) branches {
	b := branches{rnd: rnd, habit: habitOf(duty), each: make([]branch, p.count), most: p.most, always: p.always}
	for i := range b.each {
		b.each[i] = branch{size: p.each * between(rnd, 0.85, 1.15), next: b.wait(false)}
	}
	if p.push == 0 && duty != config.Garage && b.habit.crowd > 0.2 {
		b.habit.crowd = 0.2
	}
	return b
}

// newUnit builds one fan that does a share of what a riser was sized for.
func newUnit(u *unit, f *config.Fan, setpoint float64, p plan, share float64, rnd *rand.Rand) {
	slope := p.slope / (share * share)
	*u = unit{cfg: f, rnd: rnd, speed: 0.4, standsBy: f.Role == config.Lag || f.Role == config.Standby,
		wheel: wheel{shutoff: p.shutoff, curve: slope / 2, outlet: slope / 2, closed: p.closed * share, rated: f.RatedPower,
			rpm: f.RatedRPM}}
	u.wheel.finish()
	if f.AirDensity > 0 {
		u.wheel = u.wheel.inAir(f.AirDensity)
	}
	gain := 0.25 * p.shutoff
	if f.ControlsAirflow {
		gain = 1.3 * setpoint
	}
	s := newSettings(f, setpoint, gain, between(rnd, 16, 26))
	u.controller = controller{settings: s, state: running, integral: 0.4, command: 0.4}
	u.sensor = newSensor(f, p)
	if f.ControlsAirflow && f.ProbeArea > 0 {
		u.probe = newFlowProbe(f.ProbeFactor, f.ProbeArea, f.AirDensity)
		u.sensor.low, u.sensor.high = -25, 2.5*max(u.probe.pressure(setpoint), 40)
		u.sensor.noise = 0.004 * u.probe.pressure(setpoint)
	}
	u.design = newDesign(f, s, p)
}

// above is what the riser reads against the rooms, in Pa, when more branch fans
// blow than its fans can take at their top. (Between what bath fans and dryers
// push and nothing; an engineering choice.)
const above = 40.0

// crowd is how many times all branches bring the riser to that: the fans' flow
// at full speed, less what leaks away, over the branches' flow. Where branches
// do not push that far, twice all of them.
func (p *plan) crowd() float64 {
	if p.push < above+5 {
		return 2
	}
	most := math.Sqrt((p.shutoff + above) / p.slope)
	all := p.always + p.each*float64(p.count)
	return max(1, (most+leakFlow(p.leak, above))/(all*math.Sqrt(p.push-above)))
}

// finish fills in what the fleet file does not say of a wheel: power from the
// air it moves and a common efficiency, and a common speed.
func (w *wheel) finish() {
	if w.rated == 0 {
		half := w.free() / 2
		w.rated = airPower(half, w.pressure(1, half)) / 0.4 / (1 - churn)
	}
	if w.rpm == 0 {
		w.rpm = 1750
	}
}

// newSensor takes a sensor's range from the fleet file, or one that is common
// for the pressures of the riser.
func newSensor(f *config.Fan, p plan) sensor {
	s := sensor{lag: 2, noise: 0.4}
	switch {
	case f.ControlsAirflow:
		s.low, s.high, s.noise = 0, 2.5*p.flow, 0.003*p.flow
		if f.HasProbeRange {
			s.low, s.high = f.ProbeLow, f.ProbeHigh
		}
	case f.HasProbeRange:
		s.low, s.high = f.ProbeLow, f.ProbeHigh
	default:
		s.high = max(500, 1.2*p.shutoff)
		s.low = -s.high
	}
	return s
}

// newDesign finds the sizes at which a trouble of a fan shows clearly. One that
// is too small or too leaky still holds half its setpoint at its top while nobody
// needs it: it pulls, and it is not enough.
func newDesign(f *config.Fan, s settings, p plan) design {
	d := design{settings: s, drift: 4, crowd: p.crowd()}
	if f.ControlsAirflow {
		low := 0.6 * s.setpoint
		d.tooSmall = (p.slope*low*low + 0.36*p.hold) / p.shutoff
		d.tooLeaky, d.tooFar, d.drift = 10, 2.5, 0.02*s.setpoint
		return d
	}
	half := p.hold / 2
	always := p.always * math.Sqrt(p.push+half)
	least := leakFlow(p.leak, half) + always
	d.tooSmall = min((p.slope*least*least+half)/p.shutoff, 1)
	most := math.Sqrt((p.shutoff - half) / p.slope)
	d.tooLeaky = max(most-always, 0) / leakFlow(p.leak, half)
	d.tooFar = 1.3 * p.shutoff / p.hold
	d.tooHigh = (p.hold + 1.6*p.push + 40) / max(s.restart, 1)
	return d
}
