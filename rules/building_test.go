package rules

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/rules/condition"
)

// polls are the periods at which every scene is judged.
var polls = []time.Duration{time.Second, 5 * time.Second, 30 * time.Second}

func fleetPolled(every time.Duration) *config.Fleet {
	fleet := testFleet(1)
	fleet.PollEvery = every
	fleet.Gateways[0].PollEvery = every
	return fleet
}

// sinus is draught that swings by a span of Pa in six hours.
func sinus(span float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 { return span / 2 * math.Sin(2*math.Pi*at.Hours()/6) }
}

func discharge(f *config.Fan) { f.Probe, f.Setpoint = config.Discharge, 60 }

func TestHealthyFansRaiseNothing(t *testing.T) {
	hour := time.Hour
	for name, scene := range map[string]struct {
		span time.Duration
		fan  func(*config.Fan)
		set  func(*plant)
	}{
		"quiet":            {span: 3 * hour},
		"demand":           {span: 3 * hour, set: func(p *plant) { p.push = between(hour, 2*hour, 60) }},
		"peak at its top":  {span: 2 * hour, set: func(p *plant) { p.push = between(30*time.Minute, 50*time.Minute, 190) }},
		"gusts":            {span: 3 * hour, set: func(p *plant) { p.gusts = 12; p.push = between(0, 3*hour, 40) }},
		"coarse sensor":    {span: 3 * hour, set: func(p *plant) { p.count, p.gusts = 5, 4; p.push = between(hour, 2*hour, 60) }},
		"override for 2 h": {span: 3 * hour, set: func(p *plant) { p.override = within(hour/2, 5*hour/2) }},
		"override of an idle fan": {span: 3 * hour, fan: func(f *config.Fan) { idling(f) },
			set: func(p *plant) { p.override = within(hour, 2*hour) }},
		"disabled at times": {span: 4 * hour, set: func(p *plant) {
			p.enabled = func(at time.Duration) bool { return int(at/hour)%2 == 0 }
			p.push = between(0, 4*hour, 50)
		}},
		"night idle": {span: 12 * hour, fan: func(f *config.Fan) { idling(f) },
			set: func(p *plant) { p.draw, p.gusts = sinus(40), 8; p.draw = lowered(p.draw, 35) }},
		"idle and back": {span: 6 * hour, fan: func(f *config.Fan) { idling(f) },
			set: func(p *plant) { p.push = repeated(hour, 20*time.Minute, 70); p.gusts = 3 }},
		"discharge": {span: 3 * hour, fan: discharge,
			set: func(p *plant) { p.push = between(hour, 2*hour, 40); p.gusts = 5 }},
		"discharge, peak": {span: 2 * hour, fan: discharge,
			set: func(p *plant) { p.fan, p.push = 100, between(hour/2, hour/2+20*time.Minute, 110) }},
		"peak far into the positive": {span: 2 * hour, set: func(p *plant) { p.fan, p.push = 100, repeated(hour, 20*time.Minute, 165); p.gusts = 3 }},
		"idle, peak far into the positive": {span: 8 * hour, fan: func(f *config.Fan) { idling(f) }, set: func(p *plant) {
			p.fan, p.gusts = 100, 3
			p.draw = lowered(repeated(2*hour, 20*time.Minute, 190), 35)
		}},
		"discharge, at times": {span: 4 * hour, fan: discharge, set: func(p *plant) {
			p.enabled = func(at time.Duration) bool { return int(at/hour)%2 == 0 }
		}},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				if scene.set != nil {
					scene.set(p)
				}
				tr := newTrace(t, fleet)
				tr.live(scene.span, p)
				tr.want()
			})
		}
	}
}

// within is true from one time to another.
func within(from, to time.Duration) func(time.Duration) bool {
	return func(at time.Duration) bool { return at >= from && at < to }
}

// lowered is a pressure lowered by some Pa.
func lowered(pressure func(time.Duration) float64, by float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 { return pressure(at) - by }
}

// repeated is a push that comes once in every period.
func repeated(period, long time.Duration, pa float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 {
		if at%period > period-long {
			return pa
		}
		return 0
	}
}

func TestIllFansRaiseTheirConditionInTimeAndNothingBeside(t *testing.T) {
	hour, begun := time.Hour, 30*time.Minute
	for name, scene := range map[string]struct {
		want   condition.Name
		within time.Duration // of begun
		span   time.Duration
		fan    func(*config.Fan)
		set    func(*plant)
		then   func(*plant) // at begun
	}{
		"wheel does not turn": {want: condition.NoEffect, within: 30 * time.Minute,
			then: func(p *plant) { p.broken = true }},
		"too small": {want: condition.PinnedAtMax, within: 30 * time.Minute,
			then: func(p *plant) { p.fan = 20; p.gusts = 4 }},
		"too small on discharge": {want: condition.PinnedAtMax, within: 30 * time.Minute, fan: discharge,
			then: func(p *plant) { p.fan = 40; p.gusts = 4 }},
		"past its restart point": {want: condition.StuckIdle, within: 3 * time.Minute, fan: func(f *config.Fan) { idling(f) },

			set:  func(p *plant) { p.draw = lowered(p.draw, 35) },
			then: func(p *plant) { p.restart = 1000; p.push = between(0, 5*hour, 60); p.gusts = 3 }},
		"restart out of reach": {want: condition.StuckIdle, within: 60 * time.Minute, span: 3 * hour,
			fan:  func(f *config.Fan) { idling(f).RestartRise = 100 },
			set:  func(p *plant) { p.gusts = 3; p.draw = lowered(func(time.Duration) float64 { return 0 }, 35) },
			then: func(p *plant) { p.push = between(0, 5*hour, 30) }},
		"permitted and at rest": {want: condition.StuckIdle, within: 3 * time.Minute,
			then: func(p *plant) { p.idle, p.restart = true, 1000 }},
		"tubes swapped": {want: condition.InvertedSign, within: 20 * time.Minute,
			then: func(p *plant) { p.controllerSign = -1; p.gusts = 4 }},
		"tubes swapped on discharge": {want: condition.InvertedSign, within: 20 * time.Minute, fan: discharge,
			then: func(p *plant) { p.controllerSign = -1; p.fan = 300 }},
		"started with swapped tubes": {want: condition.InvertedSign, within: 15 * time.Minute,
			set:  func(p *plant) { p.controllerSign = -1; p.enabled = func(at time.Duration) bool { return false } },
			then: func(p *plant) { p.enabled = func(time.Duration) bool { return true } }},
		"sign lost in the point map": {want: condition.InvertedSign, within: 30 * time.Minute,
			then: func(p *plant) { p.mapSign = -1; p.push = between(0, 5*hour, 30); p.gusts = 2 }},
		"sign lost on discharge": {want: condition.InvertedSign, within: 30 * time.Minute, fan: discharge,
			then: func(p *plant) { p.mapSign = -1 }},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				if scene.set != nil {
					scene.set(p)
				}
				tr := newTrace(t, fleet)
				if name == "permitted and at rest" || name == "started with swapped tubes" {
					p.showsEnable = true
				}
				tr.live(begun, p)
				tr.want()
				scene.then(p)
				tr.live(max(scene.span, 2*hour), p)
				tr.within(scene.want, midnight.Add(begun), scene.within+2*every)
				if n := len(tr.got); n != 1 {
					t.Errorf("%d changes: %v", n, tr.log)
				}
			})
		}
	}
}

// demands are pushes of random size and length at random times, each rising
// within a minute.
func demands(rnd *rand.Rand, total time.Duration, most float64, longest time.Duration) func(time.Duration) float64 {
	type demand struct {
		from, to time.Duration
		pa, rise float64
	}
	var all []demand
	for at := time.Duration(0); at < total; {
		at += time.Minute + time.Duration(rnd.ExpFloat64()*25*float64(time.Minute))
		long := time.Minute + time.Duration(rnd.Float64()*float64(longest-time.Minute))
		all = append(all, demand{at, at + long, rnd.Float64() * most, 1 + rnd.Float64()*60})
		at += long
	}
	next := 0
	return func(at time.Duration) float64 {
		for next < len(all) && at > all[next].to {
			next++
		}
		if next == len(all) || at < all[next].from {
			return 0
		}
		return all[next].pa * min(1, (at-all[next].from).Seconds()/all[next].rise)
	}
}

// TestRandomHealthyBuildingsRaiseNothing lets demand be beyond what the fan
// can do, for up to 17 minutes at a time, and as far into the wrong sign as
// branch fans may push.
func TestRandomHealthyBuildingsRaiseNothing(t *testing.T) {
	for seed := range uint64(30) {
		rnd := rand.New(rand.NewPCG(seed, 99))
		fleet := fleetPolled(polls[rnd.IntN(len(polls))])
		f := fleet.Fans[0]
		size := 15 + rnd.Float64()*60
		f.Setpoint = -size
		if rnd.IntN(2) == 0 {
			idling(f).RestartRise = size / 2
		}
		if rnd.IntN(3) == 0 {
			f.Probe, f.Setpoint = config.Discharge, size
		}
		p := newPlant(f)
		p.noise, p.fan, p.gusts = rnd, size*(1.5+rnd.Float64()*3), rnd.Float64()*8
		p.push = demands(rnd, 12*time.Hour, p.fan+60, 17*time.Minute)
		if f.Probe == config.Discharge {
			p.push = demands(rnd, 12*time.Hour, p.fan, 17*time.Minute)
		} else if f.GoesIdle {
			p.draw = lowered(sinus(rnd.Float64()*40), size*1.2)
		}
		switch rnd.IntN(3) {
		case 0:
			p.override = func(at time.Duration) bool { return at%(5*time.Hour) > 3*time.Hour }
		case 1:
			p.showsEnable, p.enabled = true, func(at time.Duration) bool { return at%(4*time.Hour) > time.Hour }
		}
		tr := newTrace(t, fleet)
		tr.live(12*time.Hour, p)
		for i, c := range tr.got {
			if c.Condition != condition.ShortCycling { // demand may start it six times in an hour
				t.Errorf("seed %d, a fan of %.0f Pa at %.0f Pa: %s", seed, p.fan, f.Setpoint, tr.log[i])
			}
		}
	}
}

func TestChecksOfALifeSafetyExhaustLeaveItAlone(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].LifeSafety = true
	tr := newTrace(t, fleet)
	tr.steady(30*time.Minute, at(1, -10))
	for _, c := range tr.got[0].Causes {
		if !strings.Contains(c.Check, "life-safety exhaust: only look") {
			t.Errorf("%q is checked by %q", c.What, c.Check)
		}
	}
}
