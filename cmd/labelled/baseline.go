package main

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// baseline is what a person would write in an afternoon: one held threshold for
// each condition and fan. What is missing is not looked at, a fan that may not
// run or is forced is left alone, and nothing silences anything. It is there so
// that the rules can be held against it.
type baseline struct {
	fans     map[reading.FanID]*plainFan
	gateways map[reading.GatewayID]*plainGateway
	out      []condition.Transition
}

// threshold is what is held of one condition.
type threshold struct {
	holding, raised bool
	since           time.Time
}

// plainFan is what is kept of one fan.
type plainFan struct {
	cfg         *config.Fan
	gateway     *plainGateway
	held        map[condition.Name]*threshold
	last        [2]float64 // speed and value
	settings    map[reading.Point]float64
	rested      bool
	starts      []time.Time
	trail       trail
	first, week weekly
	grown       bool // since the last week's end
}

// plainGateway is what is kept of one gateway.
type plainGateway struct {
	fans                    int
	refused, silent, moving map[reading.FanID]bool
	held                    map[condition.Name]*threshold
}

func newBaseline(fleet *config.Fleet) *baseline {
	b := &baseline{make(map[reading.FanID]*plainFan), make(map[reading.GatewayID]*plainGateway), nil}
	for _, cfg := range fleet.Fans {
		g := b.gateways[cfg.Gateway.ID]
		if g == nil {
			g = &plainGateway{0, make(map[reading.FanID]bool), make(map[reading.FanID]bool), make(map[reading.FanID]bool),
				make(map[condition.Name]*threshold)}
			b.gateways[cfg.Gateway.ID] = g
		}
		g.fans++
		b.fans[cfg.ID] = &plainFan{cfg: cfg, gateway: g, held: make(map[condition.Name]*threshold), settings: make(map[reading.Point]float64)}
	}
	return b
}

// Observe takes a reading and returns what the thresholds make of it.
func (b *baseline) Observe(r *reading.Reading) []condition.Transition {
	b.out = b.out[:0]
	f := b.fans[r.Fan]
	b.gateway(r, f)
	b.hold(r, f.held, condition.ControllerSilent, !r.Outcome.Answered(), 2*minute)
	if !r.Outcome.Answered() {
		return b.out
	}
	b.contacts(r, f)
	speed, hasSpeed := r.Get(reading.Speed)
	value, hasValue := r.Get(f.cfg.Controlled())
	if hasSpeed && hasValue {
		f.count(r.Time, speed)
		b.sensor(r, f, speed, value)
		if !r.Off(reading.Enable) && !r.On(reading.Override) {
			b.control(r, f, speed, value)
		}
		f.last = [2]float64{speed, value}
	}
	return b.out
}

// hold raises a condition once its evidence has stood for a time and clears it
// when it is gone.
func (b *baseline) hold(r *reading.Reading, held map[condition.Name]*threshold, name condition.Name, evidence bool, need time.Duration) {
	t := held[name]
	if t == nil {
		t = &threshold{}
		held[name] = t
	}
	if evidence && !t.holding {
		t.since = r.Time
	}
	t.holding = evidence
	change := condition.Raised
	switch due := evidence && r.Time.Sub(t.since) >= need; {
	case due && !t.raised:
		t.raised = true
	case !evidence && t.raised:
		t.raised, change = false, condition.Cleared
	default:
		return
	}
	of := condition.Transition{Time: r.Time, Condition: name, Change: change, Gateway: r.Gateway, Fan: r.Fan}
	if d, _ := condition.Find(name); d.Scope == condition.OfGateway {
		of.Fan = ""
	}
	b.out = append(b.out, of)
}

// gateway: none of its fans is answered for a minute, or all repeat what they
// read for ten.
func (b *baseline) gateway(r *reading.Reading, f *plainFan) {
	g := f.gateway
	g.refused[r.Fan] = !r.Outcome.Answered() && r.Outcome != reading.UnitSilent
	g.silent[r.Fan] = r.Outcome == reading.UnitSilent
	speed, _ := r.Get(reading.Speed)
	value, _ := r.Get(f.cfg.Controlled())
	g.moving[r.Fan] = f.last != [2]float64{speed, value}
	b.hold(r, g.held, condition.GatewayDown, all(g.refused, g.fans, true), minute)
	b.hold(r, g.held, condition.LineSilent, all(g.silent, g.fans, true), minute)
	if r.Outcome.Answered() {
		b.hold(r, g.held, condition.DataNotMoving, all(g.moving, g.fans, false), 10*minute)
	}
}

// all reports whether all of so many are so.
func all(are map[reading.FanID]bool, many int, so bool) bool {
	for _, is := range are {
		if is != so {
			return false
		}
	}
	return len(are) == many
}

// contacts: what the controller says of itself.
func (b *baseline) contacts(r *reading.Reading, f *plainFan) {
	b.hold(r, f.held, condition.ControllerFault, r.On(reading.Fault), minute)
	b.hold(r, f.held, condition.OverrideLeftOn, r.On(reading.Override), mostOverride(f.cfg.Rules))
	changed := false
	for point := reading.MinSpeed; point <= reading.HighSpeedDelay; point++ {
		value, ok := r.Get(point)
		was, known := f.settings[point]
		if ok && !known {
			f.settings[point] = value
		}
		changed = changed || ok && known && math.Abs(value-was) > 0.01*math.Abs(was)
	}
	b.hold(r, f.held, condition.SettingsChanged, changed, 10*minute)
}

// sensor: one value for 30 minutes while the fan runs, or the end of its range
// for five.
func (b *baseline) sensor(r *reading.Reading, f *plainFan, speed, value float64) {
	runs := speed >= f.cfg.StoppedBelow
	b.hold(r, f.held, condition.SensorFrozen, runs && value == f.last[1], 30*minute)
	b.hold(r, f.held, condition.SensorOutOfRange, f.cfg.HasProbeRange && atTheEnd(f.cfg, value), 5*minute)
	if closed, ok := r.Get(reading.HighSpeed); ok && f.cfg.HasHighSpeed {
		b.hold(r, f.held, condition.ContactDisagrees, (closed != 0) != (speed >= f.cfg.HighSpeedAt), 10*minute)
	}
}

// control: what a fan does of its controller's accord.
func (b *baseline) control(r *reading.Reading, f *plainFan, speed, value float64) {
	cfg := f.cfg
	e := eye{cfg: cfg}
	if !e.see(r) {
		return
	}
	short := e.short()
	runs, top, low := !e.rest(), e.top(), speed <= cfg.MinSpeed+0.02
	suction := cfg.Probe == config.Suction && !cfg.ControlsAirflow
	wrong := suction && value > 5 || !suction && !cfg.ControlsAirflow && value < -5
	is := func(name condition.Name, evidence bool, need time.Duration) { b.hold(r, f.held, name, evidence, need) }
	is(condition.InvertedSign, runs && wrong, 10*minute)
	is(condition.PinnedAtMax, top && short > e.tolerance, 22*minute)
	rise, told := r.Get(reading.RestartRise)
	if !told {
		rise = cfg.RestartRise
	}
	is(condition.StuckIdle, !runs && suction && rise > 0 && short > rise, 5*minute)
	is(condition.OffSetpoint, runs && !top && !low && math.Abs(short) > e.tolerance, 45*minute)
	is(condition.PinnedAtMin, runs && low && !cfg.GoesIdle && -short > e.tolerance, time.Hour)
	nothing := 5.0
	if cfg.ControlsAirflow {
		nothing = 0.1 * math.Abs(cfg.Setpoint)
	}
	is(condition.NoEffect, speed >= 0.5 && math.Abs(value) < nothing, 15*minute)
	is(condition.ShortCycling, len(f.starts) >= 6, 0)
	f.trail.add(r.Time, speed)
	is(condition.Hunting, f.trail.swings(), 10*minute)
	is(condition.CreepingLoad, runs && f.creeps(r.Time, speed), 0)
}

// count keeps the starts of the last hour.
func (f *plainFan) count(now time.Time, speed float64) {
	rests := speed < f.cfg.StoppedBelow
	if f.rested && !rests {
		f.starts = append(f.starts, now)
	}
	f.rested = rests
	for len(f.starts) > 0 && now.Sub(f.starts[0]) > time.Hour {
		f.starts = f.starts[1:]
	}
}
