package field

import (
	"math/rand/v2"

	"fanwarden/config"
)

// riser is one duct with its branches and the fans that share it.
type riser struct {
	duct
	units    []unit
	fans     []outflow // the units' parts in the balance
	branches branches
	rnd      *rand.Rand
	sense    float64 // -1: the fans blow into the duct
	leakage  float64 // m3/s at 1 Pa, as built
	height   float64 // m
	exposure float64 // share of the wind's dynamic pressure at the outlet
	eddy     float64 // Pa, the outlet's own turbulence
	draught  float64 // Pa now, above zero where it draws upwards
	outside  float64 // Pa at the outlet, from demand and against the rooms
	day      int     // of the year, whose peak is drawn
	crowded  bool
	// sideBySide: no fan waits for another
	sideBySide bool
}

// runningUp is the share of a change of branches that a second brings: a small
// fan takes some seconds to run up.
const runningUp = 0.3

// step is one second of a riser, its fans and their controllers.
func (r *riser) step(f *Field, day int, hour float64) {
	if day != r.day {
		r.day = day
		r.branches.day(f.seconds - int64(hour*3600))
	}
	open := r.branches.step(f.seconds, int(hour))
	for i := range r.units {
		open = r.units[i].crowd(open, r.branches.all())
	}
	r.branch += (open - r.branch) * runningUp
	r.draught = stackEffect(r.height, f.weather.outdoor, indoor)
	r.eddy += wander(r.rnd, r.eddy, 0.1*f.weather.dynamic*r.exposure, 5)
	wind := f.weather.dynamic*r.exposure + r.eddy
	r.outside = r.sense * (wind - r.draught)
	r.leak = r.leakage
	r.call(f)
	for i := range r.units {
		u := &r.units[i]
		u.turn()
		r.leak = u.opens(f, r.leak)
		r.fans[i] = outflow{head: u.head(), conductance: u.wheel.conductance(u.speed), back: flapShare}
	}
	r.solve(r.fans, r.outside)
	for i := range r.units {
		u := &r.units[i]
		u.flow, _ = orifice(r.fans[i].conductance, r.fans[i].head+r.level-r.outside, flapShare)
		u.sense(r, f, wind)
		u.decide(f)
	}
	if r.sideBySide {
		r.share()
	}
	r.tellPeaks(f)
}

// pressure is what the probe of a fan reads were it perfect: against the rooms,
// or against the open air beside the outlet.
func (r *riser) pressure(u *unit, wind float64) float64 {
	against := r.sense * r.level
	if u.troubles[probeWrongSide].on { // behind the wheel, before its outlet's resistance
		against = wind - r.draught + r.sense*u.wheel.outlet*u.flow*u.flow
	}
	if u.cfg.Reference == config.Outdoor {
		against += r.draught - referenceWind*wind
	}
	return against
}

// referenceWind is how much of the wind at the outlet an outdoor reference
// takes, which is built to shed it.
const referenceWind = 0.2

func (r *riser) tellPeaks(f *Field) {
	if r.branches.crowded == r.crowded {
		return
	}
	r.crowded = r.branches.crowded
	what := PeakEnded
	if r.crowded {
		what = PeakBegan
	}
	for i := range r.units {
		f.note(&r.units[i], what)
	}
}

// When a fan that stands by is called, and when it is let go. (Engineering
// choices.)
const (
	callAtTop   = 60.0  // s that the lead is at its top
	callOff     = 20.0  // s that the lead does not turn though it should
	letGoAfter  = 300.0 // s that the lead could do alone
	letGoBelow  = 0.45  // of its top speed
	topNearness = 0.02
)

// call permits lag and standby fans to run, or not, by what the lead does.
func (r *riser) call(f *Field) {
	lead := r.lead()
	if lead == nil {
		return
	}
	off := lead.speed < still && lead.controller.state != idle && lead.controller.state != starting
	top := lead.controller.command >= lead.controller.max-topNearness
	for i := range r.units {
		u := &r.units[i]
		if !u.standsBy {
			continue
		}
		switch {
		case u.called && (off || lead.controller.command >= letGoBelow*lead.controller.max):
			u.callFor = 0
		case !u.called && !off && !top:
			u.callFor = 0
		default:
			u.callFor++
		}
		need := callAtTop
		if off {
			need = callOff
		}
		switch {
		case !u.called && u.callFor >= need:
			u.called, u.callFor = true, 0
			f.note(u, CalledIn)
		case u.called && u.callFor >= letGoAfter:
			u.called, u.callFor = false, 0
			f.note(u, CalledAway)
		}
	}
}

// lead returns the fan that the others of the riser wait for: the first that
// does not stand by; nil where none waits.
func (r *riser) lead() *unit {
	var lead *unit
	waits := false
	for i := range r.units {
		u := &r.units[i]
		waits = waits || u.standsBy
		if !u.standsBy && (lead == nil || u.cfg.Role == config.Lead) {
			lead = u
		}
	}
	if !waits {
		return nil
	}
	return lead
}

// share moves the speeds of fans that run side by side together, so that none
// does all the work.
func (r *riser) share() {
	sum, n := 0.0, 0.0
	for i := range r.units {
		if c := &r.units[i].controller; c.state == running {
			sum += c.integral
			n++
		}
	}
	for i := range r.units {
		if c := &r.units[i].controller; c.state == running && n > 1 {
			c.integral += (sum/n - c.integral) * equalising
		}
	}
}

// equalising is the share of the difference between fans side by side that a
// second takes away.
const equalising = 0.02

// hash is FNV-1a, which makes a name into a number for a seed.
func hash(name string) uint64 {
	h := uint64(14695981039346656037)
	for i := range len(name) {
		h = (h ^ uint64(name[i])) * 1099511628211
	}
	return h
}

func newRand(seed uint64, name, what string) *rand.Rand {
	return rand.New(rand.NewPCG(seed, hash(name+"/"+what)))
}

func between(rnd *rand.Rand, low, high float64) float64 { return low + rnd.Float64()*(high-low) }
