package main

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// witness looks at the readings of one faulty sample, with hindsight, for the
// time from which they show the fault. It knows what each condition claims and
// nothing of how the rules judge.
type witness interface {
	see(r *reading.Reading)
	// shown returns from when the readings show the fault and within what time
	// it ought to be raised from then; zero where they never do.
	shown() (at time.Time, limit time.Duration)
}

// episode finds the first stretch of evidence that lasts. A shorter interruption
// than grace does not end it; a hole in the readings is one.
type episode struct {
	need, grace time.Duration
	open        bool
	since, last time.Time // of the evidence
	at          time.Time // the first that lasted began here
}

func (e *episode) see(now time.Time, evidence bool) {
	if !e.at.IsZero() {
		return
	}
	if e.open && now.Sub(e.last) > e.grace {
		e.open = false
	}
	if !evidence {
		return
	}
	if !e.open {
		e.open, e.since = true, now
	}
	e.last = now
	if now.Sub(e.since) >= e.need {
		e.at = e.since
	}
}

// eye sees one fan's readings from the side of demand.
type eye struct {
	cfg       *config.Fan
	tolerance float64
	target    float64 // setpoint, rising with demand
	level     float64 // the mean of the last half minute or so, rising with demand
	speed     float64
	begun     bool
	last      time.Time
}

// calm is the time constant of the level.
const calm = 25 * time.Second

// see takes a reading and reports whether there is something to look at: an
// answer with speed and value from a fan that may run as its controller wants.
func (e *eye) see(r *reading.Reading) bool {
	speed, hasSpeed := r.Get(reading.Speed)
	value, hasValue := r.Get(e.cfg.Controlled())
	if !hasSpeed || !hasValue || r.Off(reading.Enable) || r.On(reading.Override) {
		e.begun = false
		return false
	}
	sense := 1.0
	if e.cfg.ControlsAirflow || e.cfg.Probe == config.Discharge {
		sense = -1
	}
	setpoint := e.cfg.Setpoint
	if told, ok := r.Get(reading.Setpoint); ok {
		setpoint = told
	}
	e.speed, e.target = speed, sense*setpoint
	e.tolerance = 0.15 * math.Abs(setpoint)
	if !e.cfg.ControlsAirflow {
		e.tolerance = max(e.tolerance, 5)
	}
	step := r.Time.Sub(e.last)
	if !e.begun || step > 5*minute {
		e.begun, e.level = true, sense*value
	}
	e.level += (sense*value - e.level) * (1 - math.Exp(-step.Seconds()/calm.Seconds()))
	e.last = r.Time
	return true
}

func (e *eye) top() bool      { return e.speed >= e.cfg.MaxSpeed-0.02-1e-9 }
func (e *eye) rest() bool     { return e.speed < e.cfg.StoppedBelow }
func (e *eye) short() float64 { return e.level - e.target }

const minute = time.Minute

// pinnedEye: at its top, short of setpoint by more than the tolerance, for as
// long as the limit.
type pinnedEye struct {
	eye
	stood episode
}

func (p *pinnedEye) see(r *reading.Reading) {
	ok := p.eye.see(r)
	p.stood.see(r.Time, ok && p.top() && p.short() > p.tolerance)
}

func (p *pinnedEye) shown() (time.Time, time.Duration) { return p.stood.at, 30 * minute }

// idleEye: at rest past the restart point of the fleet file for five minutes; or
// at rest while the mean of a minute rose, within three, by a step that the
// following 20 minutes kept.
type idleEye struct {
	eye
	past    episode
	minutes []float64 // means of whole minutes at rest; NaN where there is none
	from    time.Time // of the first
	sum     float64
	n       int
}

func (p *idleEye) see(r *reading.Reading) {
	ok := p.eye.see(r) && p.rest() && p.cfg.Probe == config.Suction
	if p.from.IsZero() {
		p.from = r.Time
	}
	for int(r.Time.Sub(p.from)/minute) > len(p.minutes) {
		p.minutes = append(p.minutes, p.sum/float64(p.n))
		p.sum, p.n = 0, 0
	}
	if ok {
		p.sum, p.n = p.sum+p.level, p.n+1
	}
	p.past.see(r.Time, ok && p.cfg.HasRestartRise && p.short() > p.cfg.RestartRise)
}

func (p *idleEye) shown() (time.Time, time.Duration) {
	at, step := p.past.at, p.step()
	if at.IsZero() || !step.IsZero() && step.Before(at) {
		at = step
	}
	return at, 60 * minute
}

// step returns when the first step that stayed began.
func (p *idleEye) step() time.Time {
	const before, rise, after = 10, 3, 20
	size := max(10, math.Abs(p.target)/2, 2*p.tolerance)
	for i := before; i+rise+after <= len(p.minutes); i++ {
		was, most := extremes(p.minutes[i-before : i])
		least, _ := extremes(p.minutes[i+rise : i+rise+after])
		if most-was < size/3 && least-most >= size {
			for p.minutes[i]-most < size/3 {
				i++
			}
			return p.from.Add(time.Duration(i) * minute)
		}
	}
	return time.Time{}
}

// extremes returns the least and the most of values; NaN where one is.
func extremes(values []float64) (least, most float64) {
	least, most = values[0], values[0]
	for _, v := range values {
		least, most = min(least, v), max(most, v)
	}
	return least, most
}

// signEye: from a start, or at the top of its own accord, the reading stands
// wrong by more than branch fans can push (75 Pa) and, without a start, by
// several times the setpoint; or it controls for 20 minutes at minus its
// setpoint, where that differs from its setpoint and from nothing. That the
// sensor ends short of the value takes nothing from its sign.
type signEye struct {
	eye
	rested  bool
	started time.Time
	start   episode
	top     episode
	mirror  episode
}

func (p *signEye) see(r *reading.Reading) {
	ok := p.eye.see(r)
	if ok && p.rested && !p.rest() {
		p.started = r.Time
	}
	if ok {
		p.rested = p.rest()
	}
	wrong := ok && p.eye.top() && p.target < 0
	fresh := !p.started.IsZero() && r.Time.Sub(p.started) < 10*minute
	p.start.see(r.Time, wrong && fresh && p.level >= 75)
	p.top.see(r.Time, wrong && p.level >= max(75, 3*math.Abs(p.target)))
	between := ok && !p.eye.top() && p.speed > p.cfg.MinSpeed+0.02
	p.mirror.see(r.Time, between && math.Abs(p.target) > 2*p.tolerance && math.Abs(p.level+p.target) <= p.tolerance)
}

func (p *signEye) shown() (at time.Time, limit time.Duration) {
	for _, way := range []struct {
		at    time.Time
		limit time.Duration
	}{{p.start.at, 15 * minute}, {p.top.at, 20 * minute}, {p.mirror.at, 30 * minute}} {
		if !way.at.IsZero() && (at.IsZero() || way.at.Before(at)) {
			at, limit = way.at, way.limit
		}
	}
	return at, limit
}

// unheardEye: polls fail for the hold and two polls, which is the limit too.
type unheardEye struct{ stood episode }

func (p *unheardEye) see(r *reading.Reading) { p.stood.see(r.Time, !r.Outcome.Answered()) }

func (p *unheardEye) shown() (time.Time, time.Duration) { return p.stood.at, p.stood.need }

// witnessOf returns the witness for a condition of one fan, or of what is not
// heard; nil for one that needs more than the readings.
func witnessOf(want condition.Name, cfg *config.Fan, poll time.Duration) witness {
	hold := func(need time.Duration) episode { return episode{need: need, grace: max(minute, 2*poll)} }
	setting, _ := condition.Find(want)
	e := eye{cfg: cfg}
	switch want {
	case condition.Hunting:
		return &swingsEye{eye: e, poll: poll}
	case condition.ShortCycling:
		return &cyclingEye{eye: e}
	case condition.OverrideLeftOn:
		return &overrideEye{hold(mostOverride(cfg.Rules) + minute)}
	case condition.ControllerFault:
		return &faultEye{episode{need: setting.Default.Hold + 2*poll, grace: 2 * poll}}
	case condition.SensorFrozen:
		return &frozenEye{cfg: cfg}
	case condition.SensorOutOfRange:
		return &rangeEye{cfg, hold(10 * minute)}
	case condition.ContactDisagrees:
		return &contactEye{cfg: cfg, poll: poll, stood: total{need: 20 * minute, grace: 3 * poll}}
	case condition.SettingsChanged:
		return &settingsEye{make(map[reading.Point]float64), hold(30 * minute)}
	case condition.NoEffect:
		return &noEffectEye{e, hold(30 * minute)}
	case condition.OffSetpoint:
		return &offEye{e, hold(48 * minute)}
	case condition.PinnedAtMin:
		return &atMinEye{e, hold(cfg.Rules[want].Hold + 5*minute)}
	case condition.PinnedAtMax:
		return &pinnedEye{eye: eye{cfg: cfg}, stood: hold(30 * minute)}
	case condition.StuckIdle:
		return &idleEye{eye: eye{cfg: cfg}, past: hold(5 * minute)}
	case condition.InvertedSign:
		return &signEye{eye: eye{cfg: cfg}, start: hold(5 * minute), top: hold(5 * minute), mirror: hold(25 * minute)}
	case condition.ControllerSilent, condition.LineSilent, condition.GatewayDown:
		return &unheardEye{stood: episode{need: setting.Default.Hold + 2*poll, grace: 2 * poll}}
	}
	return nil
}
