package rules

import (
	"math"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// restless is demand that varies as a building's does.
func restless(pa float64) func(time.Duration) float64 {
	return func(at time.Duration) float64 {
		return pa * (1 + 0.3*math.Sin(at.Seconds()/700) + 0.1*math.Sin(at.Seconds()/190))
	}
}

func TestAFanThatMovesNothingIsFoundWithinHalfAnHour(t *testing.T) {
	begun := 40 * time.Minute
	for name, scene := range map[string]struct {
		fan  func(*config.Fan)
		set  func(*plant)
		then func(*plant)
	}{
		"belt off":              {set: func(p *plant) { p.push, p.gusts = restless(8), 1.5 }},
		"belt off, much demand": {set: func(p *plant) { p.push, p.gusts = restless(30), 2 }},
		"coupling slips to 5 %": {set: func(p *plant) { p.push = restless(12) }, then: func(p *plant) { p.fan *= 0.05 }},
		"belt off on discharge": {fan: discharge, set: func(p *plant) { p.gusts = 2 }},
		"belt off on discharge, draught keeps a little": {fan: discharge, set: func(p *plant) { p.gusts = 0.2 },
			then: func(p *plant) { p.broken, p.push = true, restless(-2.6) }},
		"belt off while it idles": {fan: func(f *config.Fan) { idling(f) }, set: func(p *plant) { p.draw, p.gusts = lowered(p.draw, 35), 1; p.idle = true },
			then: func(p *plant) { p.broken, p.draw, p.push = true, lowered(p.draw, -35), restless(55) }},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				p.ramp = 0.006
				scene.set(p)
				tr := newTrace(t, fleet)
				tr.live(begun, p)
				tr.want()
				p.broken = scene.then == nil
				if scene.then != nil {
					scene.then(p)
				}
				tr.live(3*time.Hour, p)
				tr.within(condition.NoEffect, midnight.Add(begun), 30*time.Minute)
			})
		}
	}
}

func TestAFanThatIsRepairedIsToldAsWell(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	p := newPlant(tr.fleet.Fans[0])
	p.push, p.ramp = restless(10), 0.006
	tr.live(time.Hour, p)
	p.broken = true
	tr.live(time.Hour, p)
	p.broken = false
	mended := tr.now
	tr.live(time.Hour, p)
	if len(tr.got) != 2 || tr.got[1].Reason != condition.Recovered || tr.got[1].Time.Sub(mended) > 10*time.Minute {
		t.Errorf("changes are %v", tr.log)
	}
}

// A fan that pulls too little is pinned, also while demand pushes the reading
// beyond nothing for hours.
func TestAnOverrunFanIsPinnedAndNotStill(t *testing.T) {
	for name, set := range map[string]func(*plant){
		"demand beyond it":    func(p *plant) { p.push = restless(140) },
		"a leak":              func(p *plant) { p.fan, p.push = 35, restless(25) },
		"too small a wheel":   func(p *plant) { p.fan, p.push = 50, restless(60) },
		"a leak on discharge": func(p *plant) { p.fan = 40 },
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if strings.Contains(name, "discharge") {
					discharge(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				p.gusts, p.ramp = 1.5, 0.006
				tr := newTrace(t, fleet)
				tr.live(time.Hour, p)
				set(p)
				tr.live(4*time.Hour, p)
				for _, c := range tr.got {
					if c.Condition != condition.PinnedAtMax {
						t.Errorf("changes are %v", tr.log)
					}
				}
				if !raised(tr, condition.PinnedAtMax) {
					t.Errorf("not pinned: %v", tr.log)
				}
			})
		}
	}
}

func TestDemandPeaksTwiceADayAreNone(t *testing.T) {
	for _, reads := range []float64{30, 50} {
		for _, every := range polls {
			fleet := fleetPolled(every)
			p := newPlant(fleet.Fans[0])
			p.gusts = 1
			p.push = repeated(4*time.Hour, 18*time.Minute, p.fan+reads)
			tr := newTrace(t, fleet)
			tr.live(13*time.Hour, p)
			tr.want()
		}
	}
}

func TestWhatSaysThatTheWheelStandsStill(t *testing.T) {
	good := values{reading.Speed: 0.6, reading.Pressure: -30, reading.RPM: 900, reading.Power: 300, reading.Proof: 1}
	ill := values{reading.Speed: 1, reading.Pressure: 4, reading.RPM: 1500, reading.Power: 1400, reading.Proof: 1}
	for name, c := range map[string]struct {
		then  values
		want  string // in the summary; "" for none within a quarter of an hour
		cause string
	}{
		"all well beside it":        {then: ill},
		"proof off":                 {ill.with(reading.Proof, 0), "its proof is off", "the motor does not turn"},
		"no rotation":               {ill.with(reading.RPM, 20), "it turns at 20 rpm instead of about 1500", "the motor does not turn"},
		"no power":                  {ill.with(reading.Power, 60), "it takes 60 W instead of about 300 W", "the motor turns and the wheel does not"},
		"proof off, setpoint held":  {good.with(reading.Proof, 0), "", ""},
		"proof off near its lowest": {ill.with(reading.Proof, 0).with(reading.Speed, 0.3), "", ""},
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTrace(t, testFleet(1))
			tr.steady(30*time.Minute, good)
			tr.steady(15*time.Minute, c.then)
			if c.want == "" {
				tr.want()
				return
			}
			tr.within(condition.NoEffect, midnight.Add(30*time.Minute), 10*time.Minute+30*time.Second)
			if len(tr.got) > 0 && (!strings.Contains(tr.got[0].Summary, c.want) || !strings.HasPrefix(tr.got[0].Causes[0].What, c.cause)) {
				t.Errorf("summary %q, causes %v", tr.got[0].Summary, tr.got[0].Causes)
			}
		})
	}
}

// Where the wheel is seen to turn and the reading follows nothing, the tube is
// what a technician looks at first.
func TestATubeThatIsOffComesFirstWhereTheWheelTurns(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	p := newPlant(tr.fleet.Fans[0])
	p.push, p.gusts, p.ramp = restless(10), 1, 0.006
	for at := time.Duration(0); at < 100*time.Minute; at += time.Second {
		p.broken = at > 40*time.Minute
		v := p.tick(at).with(reading.Proof, 1)
		if at%tr.every == 0 {
			tr.now = midnight.Add(at)
			tr.feed("ef1", reading.OK, v)
		}
	}
	tr.within(condition.NoEffect, midnight.Add(40*time.Minute), 30*time.Minute)
	if len(tr.got) == 1 && !strings.Contains(tr.got[0].Causes[0].What, "tube") {
		t.Errorf("causes %v", tr.got[0].Causes)
	}
}

func TestAGapInTheHoldIsLeftOut(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	p := newPlant(tr.fleet.Fans[0])
	p.push, p.ramp = restless(10), 0.006
	tr.live(40*time.Minute, p)
	p.broken = true
	tr.live(10*time.Minute, p)
	tr.fail(50*time.Second, reading.UnitSilent)
	tr.live(30*time.Minute, p)
	if !raised(tr, condition.NoEffect) && !raised(tr, condition.PinnedAtMax) {
		t.Errorf("changes are %v", tr.log)
	}
	for _, c := range tr.got {
		if c.Condition != condition.NoEffect && c.Condition != condition.PinnedAtMax {
			t.Errorf("changes are %v", tr.log)
		}
	}
}
