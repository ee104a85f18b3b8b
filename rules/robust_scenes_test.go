package rules

import (
	"math"
	"math/rand/v2"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// robustEvery is the poll period of the scenes that are mangled.
const robustEvery = 10 * time.Second

// row is one reading of one fan of a scene.
type row struct {
	fan     reading.FanID
	at      time.Duration
	outcome reading.Outcome
	values  values
}

// scene is a stretch of readings of a fleet and the condition that they show
// from begun on, "" where all is well.
type scene struct {
	name  string
	want  condition.Name
	begun time.Duration
	later time.Duration // more than the time that is missing it may cost to miss the moment that tells
	// instead is what may be told where nobody saw how it came.
	instead condition.Name
	fleet   *config.Fleet
	rows    []row
}

func robustFleet(fans int) *config.Fleet {
	fleet := testFleet(fans)
	fleet.PollEvery, fleet.Gateways[0].PollEvery = robustEvery, robustEvery
	return fleet
}

// lived is a scene of plants, of which the first becomes ill at begun.
func lived(name string, want condition.Name, begun, span time.Duration, fan func(*config.Fan), set, then func(*plant), others int) scene {
	fleet := robustFleet(1 + others)
	if fan != nil {
		fan(fleet.Fans[0])
	}
	s := scene{name: name, want: want, begun: begun, fleet: fleet}
	var plants []*plant
	for i, f := range fleet.Fans {
		p := newPlant(f)
		p.noise = rand.New(rand.NewPCG(uint64(i), 7))
		p.push, p.gusts = busy, 2
		plants = append(plants, p)
	}
	if set != nil {
		set(plants[0])
	}
	for at := time.Duration(0); at < span; at += time.Second {
		if at == begun && then != nil {
			then(plants[0])
		}
		for i, p := range plants {
			if v := p.tick(at); at%robustEvery == 0 {
				s.rows = append(s.rows, row{fan: fleet.Fans[i].ID, at: at, values: v})
			}
		}
	}
	return s
}

// drawn is a scene that is made by hand.
func drawn(name string, want condition.Name, begun, span time.Duration, fans int, fan func(*config.Fan),
	read func(fan int, at time.Duration, rnd *rand.Rand) (reading.Outcome, values)) scene {
	s := scene{name: name, want: want, begun: begun, fleet: robustFleet(fans)}
	if fan != nil {
		fan(s.fleet.Fans[0])
	}
	rnd := rand.New(rand.NewPCG(5, 5))
	for at := time.Duration(0); at < span; at += robustEvery {
		for i, f := range s.fleet.Fans {
			o, v := read(i, at, rnd)
			s.rows = append(s.rows, row{fan: f.ID, at: at, outcome: o, values: v})
		}
	}
	return s
}

func alwaysIdling(f *config.Fan) { idling(f) }

// healthyScenes are fans of which nothing is to be told.
func healthyScenes() []scene {
	const hour = time.Hour
	well := func(name string, span time.Duration, fan func(*config.Fan), set func(*plant), others int) scene {
		return lived(name, "", 0, span, fan, set, nil, others)
	}
	return []scene{
		well("busy", 10*hour, nil, nil, 2),
		well("peaks at its top", 10*hour, nil, func(p *plant) { p.push = repeated(2*hour, 18*time.Minute, 190) }, 0),
		well("peaks far into the positive", 10*hour, nil, func(p *plant) { p.fan, p.push = 100, repeated(3*hour, 18*time.Minute, 140) }, 0),
		well("idle at times", 12*hour, alwaysIdling, func(p *plant) {
			p.draw, p.push = lowered(sinus(20), 36), repeated(hour, 20*time.Minute, 70)
		}, 1),
		well("idle, much draught", 12*hour, alwaysIdling, func(p *plant) {
			p.draw, p.push, p.gusts = lowered(sinus(40), 36), repeated(3*hour, 10*time.Minute, 90), 6
		}, 0),
		well("coarse sensor", 10*hour, alwaysIdling, func(p *plant) {
			p.count, p.draw, p.push = 4, lowered(sinus(20), 36), repeated(2*hour, 30*time.Minute, 70)
		}, 0),
		well("forced and disabled at times", 12*hour, nil, func(p *plant) {
			p.showsEnable = true
			p.enabled = func(at time.Duration) bool { return int(at/hour)%4 != 2 }
			p.override = func(at time.Duration) bool { return at%(3*hour) > 2*hour && at%(3*hour) < 5*hour/2 }
		}, 0),
		well("on discharge", 10*hour, discharge, func(p *plant) { p.fan = 200 }, 1),
		well("four starts an hour", 10*hour, alwaysIdling, func(p *plant) {
			p.draw, p.push = lowered(sinus(5), 36), repeated(15*time.Minute, 5*time.Minute, 70)
		}, 0),
	}
}

// illScenes are fans and gateways of which one thing each is to be told.
func illScenes() []scene {
	const hour, minute = time.Hour, time.Minute
	steady := func(v values) func(int, time.Duration, *rand.Rand) (reading.Outcome, values) {
		return func(_ int, _ time.Duration, rnd *rand.Rand) (reading.Outcome, values) {
			w := v.with(reading.Pressure, math.Round(4*(v[reading.Pressure]+rnd.NormFloat64()))/4)
			return reading.OK, w
		}
	}
	after := func(begun time.Duration, who int, before, then values, o reading.Outcome) func(int, time.Duration, *rand.Rand) (reading.Outcome, values) {
		return func(fan int, at time.Duration, rnd *rand.Rand) (reading.Outcome, values) {
			if (who < 0 || fan == who) && at >= begun {
				if then == nil {
					return o, nil
				}
				return steady(then)(fan, at, rnd)
			}
			return steady(before)(fan, at, rnd)
		}
	}
	belt := lived("the belt is off", condition.NoEffect, hour, 6*hour, nil, nil, func(p *plant) { p.broken = true }, 0)
	belt.instead = condition.PinnedAtMax
	frozen := lived("frozen", condition.SensorFrozen, 2*hour, 8*hour, nil, nil, func(p *plant) { p.sensor = stuckAt(-24.25) }, 1)
	frozen.later = 2 * hour // where its speed was not seen to move, flat_hold counts
	swings := drawn("swings", condition.Hunting, 0, 4*hour, 1, nil, func(_ int, at time.Duration, _ *rand.Rand) (reading.Outcome, values) {
		return reading.OK, swinging(at, 2*minute, 0.1, 8)
	})
	swings.later = 40 * minute // a record begins anew after a gap
	cycles := drawn("starts and stops", condition.ShortCycling, 0, 6*hour, 1, alwaysIdling,
		func(_ int, since time.Duration, rnd *rand.Rand) (reading.Outcome, values) {
			return steady(cycling(6*minute)(since))(0, since, rnd)
		})
	cycles.later = hour // starts that lie in a gap do not count
	repeat := lived("a gateway that repeats", condition.DataNotMoving, 3*hour, 8*hour, nil, nil, nil, 2)
	for i := range repeat.rows {
		if r := &repeat.rows[i]; r.at >= repeat.begun {
			r.values = repeat.rows[i-len(repeat.fleet.Fans)].values
		}
	}
	return []scene{
		lived("a leak", condition.PinnedAtMax, hour, 6*hour, nil, func(p *plant) { p.push = func(time.Duration) float64 { return 25 } },
			func(p *plant) { p.fan = 40 }, 0),
		lived("deaf at rest", condition.StuckIdle, hour, 6*hour, alwaysIdling, func(p *plant) { p.draw = lowered(sinus(5), 36) },
			func(p *plant) { p.idle, p.restart = true, 1000; p.push = func(time.Duration) float64 { return 70 } }, 0),
		lived("a step at rest", condition.StuckIdle, hour, 6*hour, alwaysIdling, func(p *plant) { p.draw, p.push = lowered(sinus(5), 36), restless(0) },
			func(p *plant) { p.push = func(time.Duration) float64 { return 60 }; p.restart = 1000; p.idle = true }, 0),
		lived("swapped while it runs", condition.InvertedSign, hour, 6*hour, nil, nil, func(p *plant) { p.controllerSign = -1 }, 0),
		lived("sign lost in the map", condition.InvertedSign, hour, 6*hour, nil, nil, func(p *plant) { p.mapSign = -1 }, 0),
		belt,
		frozen,
		lived("wire cut", condition.SensorOutOfRange, hour, 4*hour, ranged(-500, 500), nil, func(p *plant) { p.sensor = stuckAt(500) }, 1),
		repeat,
		swings,
		drawn("off", condition.OffSetpoint, 0, 5*hour, 1, nil, steady(at(0.6, -20))),
		drawn("too strong", condition.PinnedAtMin, 0, 8*hour, 1, nil, steady(at(0.2, -42))),
		drawn("a contact that never closes", condition.ContactDisagrees, 0, 3*hour, 1, withContact,
			steady(at(0.95, -30).with(reading.HighSpeed, 0))),
		cycles,
		drawn("in hand", condition.OverrideLeftOn, 0, 12*hour, 1, func(f *config.Fan) {
			f.Rules[condition.OverrideLeftOn].Own[condition.OverrideAtMost] = (4 * hour).Seconds()
		}, steady(at(0.6, -30).with(reading.Override, 1))),
		drawn("a fault", condition.ControllerFault, hour, 4*hour, 1, nil,
			after(hour, 0, at(0.6, -30).with(reading.Fault, 0), at(0.6, -30).with(reading.Fault, 1), reading.OK)),
		drawn("a setting", condition.SettingsChanged, 2*hour, 5*hour, 1, func(f *config.Fan) { f.Points = readBack().Fans[0].Points },
			after(2*hour, 0, told(0.2, 45), told(0.35, 45), reading.OK)),
		drawn("no answer of one", condition.ControllerSilent, hour, 3*hour, 3, nil, after(hour, 1, healthy, nil, reading.Timeout)),
		drawn("no answer of all", condition.GatewayDown, hour, 3*hour, 3, nil, after(hour, -1, healthy, nil, reading.Timeout)),
		drawn("no unit answers", condition.LineSilent, hour, 3*hour, 3, nil, after(hour, -1, healthy, nil, reading.UnitSilent)),
	}
}
