package rules

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// stuckAt is a sensor that repeats one value.
func stuckAt(value float64) func(float64) float64 {
	return func(float64) float64 { return value }
}

// busy is demand that comes and goes, as a busy riser's does.
func busy(at time.Duration) float64 {
	return 35 + 25*math.Sin(2*math.Pi*at.Minutes()/47) + 10*math.Sin(2*math.Pi*at.Minutes()/11)
}

func TestAFrozenSensorIsFoundAndNothingBeside(t *testing.T) {
	begun := 2 * time.Hour
	for name, scene := range map[string]struct {
		within time.Duration
		others int // fans of the gateway: where the speed does not move, they show that it is not the gateway
		fan    func(*config.Fan)
		set    func(*plant)
		then   func(*plant)
	}{
		"short of its setpoint, runs to its top": {within: 35 * time.Minute,
			then: func(p *plant) { p.sensor = stuckAt(-24.25) }},
		"beyond its setpoint, slows down": {within: 35 * time.Minute,
			then: func(p *plant) { p.sensor = stuckAt(-36.25) }},
		"about nothing, of a fan that never rested": {within: 35 * time.Minute,
			then: func(p *plant) { p.sensor = stuckAt(-1.5) }},
		"on discharge, and then the fan is stopped": {within: 35 * time.Minute, fan: discharge,
			set:  func(p *plant) { p.showsEnable, p.count = true, 1 },
			then: func(p *plant) { p.sensor = stuckAt(82); p.cfg.MinSpeed = 0 }},
		"within its tolerance": {others: 1, within: 2*time.Hour + 5*time.Minute,
			then: func(p *plant) { p.sensor = stuckAt(-30) }},
		"on discharge": {within: 35 * time.Minute, fan: discharge,
			then: func(p *plant) { p.sensor = stuckAt(51) }},
		"a sensor of 4 Pa a count, within a count of its setpoint": {within: 45 * time.Minute, fan: func(f *config.Fan) { f.Setpoint = -60 },
			set:  func(p *plant) { p.fan, p.count, p.gusts = 300, 4, 4 },
			then: func(p *plant) { p.sensor = stuckAt(-58) }},
		"a sensor of 4 Pa a count": {within: 60 * time.Minute, fan: func(f *config.Fan) { f.Setpoint = -60 },
			set:  func(p *plant) { p.fan, p.count, p.gusts = 300, 4, 4 },
			then: func(p *plant) { p.sensor = stuckAt(-44) }},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := testFleet(1 + scene.others)
				fleet.PollEvery, fleet.Gateways[0].PollEvery = every, every
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				p.push, p.gusts = busy, 3
				all := []*plant{p}
				for _, f := range fleet.Fans[1:] {
					other := newPlant(f)
					other.push, other.gusts = busy, 3
					all = append(all, other)
				}
				if scene.set != nil {
					scene.set(p)
				}
				tr := newTrace(t, fleet)
				tr.live(begun, all...)
				tr.want()
				scene.then(p)
				tr.live(4*time.Hour, all...)
				tr.within(condition.SensorFrozen, midnight.Add(begun), scene.within+2*every)
				if len(tr.log) != 1 {
					t.Errorf("changes are %v", tr.log)
				}
				p.sensor = nil
				tr.live(5*time.Minute, all...)
				if n := len(tr.got); n < 2 || tr.got[1].Condition != condition.SensorFrozen || tr.got[1].Reason != condition.Recovered {
					t.Errorf("changes are %v", tr.log)
				}
			})
		}
	}
}

func TestValuesThatStandStillAndAreWell(t *testing.T) {
	for name, scene := range map[string]struct {
		span time.Duration
		fan  func(*config.Fan)
		set  func(*plant)
	}{
		"coarse, calm nights": {span: 30 * time.Hour, set: func(p *plant) {
			p.count, p.gusts = 4, 0.5
			p.push = func(at time.Duration) float64 {
				if at%(12*time.Hour) < 6*time.Hour {
					return busy(at)
				}
				return 20
			}
		}},
		"coarse and idle": {span: 20 * time.Hour, fan: func(f *config.Fan) { idling(f) }, set: func(p *plant) {
			p.count, p.gusts = 4, 1
			p.draw = lowered(sinus(20), 36)
		}},
		"noise of less than a count, near its edge": {span: 20 * time.Hour, fan: func(f *config.Fan) { idling(f) },
			set: func(p *plant) { p.count, p.gusts = 1, 0.15; p.draw = lowered(sinus(3), 36) }},
		"at rest on discharge": {span: 20 * time.Hour, fan: discharge, set: func(p *plant) {
			p.gusts, p.push = 3, busy
			p.showsEnable, p.enabled = true, func(at time.Duration) bool { return at%(6*time.Hour) < 3*time.Hour }
		}},
		"a sensor that ends at nothing": {span: 20 * time.Hour, fan: func(f *config.Fan) { f.HasProbeRange, f.ProbeLow = true, -250 },
			set: func(p *plant) {
				p.gusts, p.push = 3, repeated(3*time.Hour, 18*time.Minute, 190)
				p.sensor = func(pressure float64) float64 { return min(pressure, 0) }
			}},
		"a sensor that ends at nothing, and the file does not say so": {span: 20 * time.Hour, set: func(p *plant) {
			p.gusts, p.push = 3, repeated(3*time.Hour, 18*time.Minute, 190)
			p.sensor = func(pressure float64) float64 { return min(pressure, 0) }
		}},
		"a register that is written once a minute": {span: 10 * time.Hour, set: func(p *plant) {
			p.gusts, p.push = 3, busy
			n, held := 0, 0.0
			p.sensor = func(pressure float64) float64 {
				if n++; n%60 == 1 {
					held = pressure
				}
				return held
			}
		}},
		"coarse, lively by day, and slow and nearly smooth demand at night": {span: 40 * time.Hour, set: func(p *plant) {
			p.count, p.gusts = 4, 0
			noise := rand.New(rand.NewPCG(5, 6))
			p.push = func(at time.Duration) float64 {
				if at%(24*time.Hour) < 12*time.Hour {
					return busy(at) + 3*noise.NormFloat64()
				}
				return 35 + 25*math.Sin(2*math.Pi*at.Minutes()/200) + 0.3*noise.NormFloat64()
			}
		}},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				scene.set(p)
				tr := newTrace(t, fleet)
				tr.live(scene.span, p)
				for _, c := range tr.got {
					if c.Condition == condition.SensorFrozen || c.Condition == condition.DataNotMoving || c.Condition == condition.SensorOutOfRange {
						t.Errorf("%s at %s: %s", c.Condition, c.Time.Sub(midnight), c.Summary)
					}
				}
			})
		}
	}
}

func TestAValueThatNeverVariedIsNotCalledFrozen(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.play(10*time.Hour, func(_ reading.FanID, since time.Duration) (reading.Outcome, values) {
		return reading.OK, at(0.6+0.3*math.Sin(since.Hours()), -30)
	})
	tr.want()
}

// A hole in the readings adds nothing to the hold, and takes nothing from it.
func TestAFrozenSensorOverAGap(t *testing.T) {
	begun := 2 * time.Hour
	raisedAfter := func(gap time.Duration) time.Duration {
		fleet := fleetPolled(5 * time.Second)
		p := newPlant(fleet.Fans[0])
		p.push, p.gusts = busy, 3
		tr := newTrace(t, fleet)
		tr.live(begun, p)
		p.sensor = stuckAt(-24.25)
		tr.live(10*time.Minute, p)
		tr.want()
		tr.now = tr.now.Add(gap)
		tr.live(time.Hour, p)
		tr.within(condition.SensorFrozen, midnight.Add(begun), time.Hour+gap)
		return tr.got[0].Time.Sub(midnight) - gap
	}
	if whole, holed := raisedAfter(0), raisedAfter(40*time.Minute); (holed - whole).Abs() > 15*time.Second {
		t.Errorf("raised after %s, and over a gap after %s", whole, holed)
	}
}

// What is missing is told apart by the value's own least step: IOOS QARTOD
// (flat line test) wants an eps that the resolution of the register respects.
func TestTheCountOfAValueIsLearned(t *testing.T) {
	for _, count := range []float64{0.25, 4} {
		fleet := testFleet(1)
		p := newPlant(fleet.Fans[0])
		p.push, p.gusts, p.count = busy, 3, count
		tr := newTrace(t, fleet)
		tr.live(2*time.Hour, p)
		if got := tr.e.fans["ef1"].still.count; math.Abs(got-count) > 0.2*count {
			t.Errorf("count is %g, want %g", got, count)
		}
	}
}

func TestAValueThatALoopHoldsMayRepeatItself(t *testing.T) {
	c := &frozen{far: true, usual: missedMoved, slow: 0.42, fast: 0.6}
	f := &fan{still: still{count: 4}}
	s := &sample{value: -72, setpoint: -72, tolerance: 11, hasSetpoint: true}
	if c.coarse(f, s, missedMoved) {
		t.Error("the value stands at its setpoint while its speed follows demand: called frozen")
	}
	s.setpoint = -60
	if !c.coarse(f, s, missedMoved) {
		t.Error("the value stands away from its setpoint while its speed moves far: not called frozen")
	}
}
