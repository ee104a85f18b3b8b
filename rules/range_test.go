package rules

import (
	"math"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func ranged(low, high float64) func(*config.Fan) {
	return func(f *config.Fan) { f.HasProbeRange, f.ProbeLow, f.ProbeHigh = true, low, high }
}

func TestASensorAtTheEndOfItsRangeIsFoundAndNothingBeside(t *testing.T) {
	begun := time.Hour
	for name, scene := range map[string]struct {
		fan  func(*config.Fan)
		then func(*plant)
	}{
		"above":             {fan: ranged(-500, 500), then: func(p *plant) { p.sensor = stuckAt(500) }},
		"below":             {fan: ranged(-500, 500), then: func(p *plant) { p.sensor = stuckAt(-500) }},
		"nearly at the end": {fan: ranged(-500, 500), then: func(p *plant) { p.sensor = stuckAt(496) }},
		"beyond the end":    {fan: ranged(-250, 250), then: func(p *plant) { p.sensor = stuckAt(-312) }},
		"on discharge": {fan: func(f *config.Fan) { discharge(f); ranged(0, 250)(f) },
			then: func(p *plant) { p.sensor = stuckAt(250) }},
		"the register's own end": {then: func(p *plant) { p.sensor = stuckAt(32767 * 0.25) }},
	} {
		for _, every := range polls[:2] {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				if scene.fan != nil {
					scene.fan(fleet.Fans[0])
				}
				p := newPlant(fleet.Fans[0])
				p.push, p.gusts = busy, 3
				if fleet.Fans[0].Probe == config.Discharge {
					p.fan = 200
				}
				tr := newTrace(t, fleet)
				tr.live(begun, p)
				tr.want()
				scene.then(p)
				tr.live(2*time.Hour, p)
				tr.within(condition.SensorOutOfRange, midnight.Add(begun), 6*time.Minute+2*every)
				p.sensor = nil
				tr.live(10*time.Minute, p)
				if n := len(tr.got); n != 2 || tr.got[1].Reason != condition.Recovered {
					t.Errorf("changes are %v", tr.log)
				}
			})
		}
	}
}

// A reading that leaps to an end is the sensor's whatever the speed does then, and
// stands until the reading leaves it.
func TestALeapToAnEndIsTheSensorsAtEverySpeed(t *testing.T) {
	for name, scene := range map[string]struct {
		end   float64
		speed func(since time.Duration) float64
	}{
		"fast, and on as before": {end: -250, speed: func(time.Duration) float64 { return 0.7 }},
		"wanders about the middle of its speeds": {end: -250,
			speed: func(since time.Duration) float64 { return 0.6 + 0.1*math.Cos(since.Minutes()/9) }},
		"the loop leaps to its top with it": {end: 272, speed: func(time.Duration) float64 { return 1 }},
	} {
		for _, every := range polls[:2] {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				ranged(-250, 250)(fleet.Fans[0])
				tr := newTrace(t, fleet)
				well := func(_ reading.FanID, since time.Duration) (reading.Outcome, values) {
					return reading.OK, at(0.65+0.01*math.Sin(since.Seconds()), -30+math.Sin(7*since.Seconds()))
				}
				tr.play(time.Hour, well)
				tr.play(3*time.Hour, func(_ reading.FanID, since time.Duration) (reading.Outcome, values) {
					return reading.OK, at(scene.speed(since), scene.end)
				})
				tr.within(condition.SensorOutOfRange, midnight.Add(time.Hour), 6*time.Minute)
				tr.play(10*time.Minute, well)
				if n := len(tr.got); n != 2 || tr.got[1].Reason != condition.Recovered {
					t.Errorf("changes are %v", tr.log)
				}
			})
		}
	}
}

// A reading that comes back from the end of its range is no step of demand.
func TestASensorThatComesBackIsNoDemand(t *testing.T) {
	fleet := fleetPolled(5 * time.Second)
	ranged(-500, 500)(idling(fleet.Fans[0]))
	tr := newTrace(t, fleet)
	reads := func(pressure float64) func(reading.FanID, time.Duration) (reading.Outcome, values) {
		return func(_ reading.FanID, since time.Duration) (reading.Outcome, values) {
			return reading.OK, at(0, pressure+0.5*math.Sin(7*since.Seconds()))
		}
	}
	tr.play(2*time.Hour, reads(-3))
	tr.play(3*time.Hour, reads(-500.5))
	tr.play(3*time.Hour, reads(-3))
	tr.within(condition.SensorOutOfRange, midnight.Add(2*time.Hour), 6*time.Minute)
	if n := len(tr.got); n != 2 {
		t.Errorf("changes are %v", tr.log)
	}
}

func TestEndsThatProveNothing(t *testing.T) {
	hour := time.Hour
	for name, scene := range map[string]struct {
		fan func(*config.Fan)
		set func(*plant)
	}{
		"a sensor that ends at nothing, demand pushes": {fan: ranged(-250, 0),
			set: func(p *plant) { p.push = repeated(3*hour, 18*time.Minute, 190) }},
		"a sensor that ends where demand pushes": {fan: ranged(-250, 30),
			set: func(p *plant) { p.push = repeated(3*hour, 18*time.Minute, 190) }},
		"a discharge sensor at rest": {fan: func(f *config.Fan) { discharge(f); ranged(0, 250)(f) },
			set: func(p *plant) {
				p.push, p.showsEnable = busy, true
				p.enabled = func(at time.Duration) bool { return at%(6*hour) < 3*hour }
			}},
		"forced to draw more than it can show": {fan: ranged(-50, 50), set: func(p *plant) {
			p.override = within(2*hour, 5*hour)
		}},
	} {
		for _, every := range polls {
			t.Run(name+" every "+every.String(), func(t *testing.T) {
				fleet := fleetPolled(every)
				scene.fan(fleet.Fans[0])
				f := fleet.Fans[0]
				p := newPlant(f)
				p.gusts = 3
				scene.set(p)
				p.sensor = func(pressure float64) float64 { return clamp(pressure, f.ProbeLow, f.ProbeHigh) }
				tr := newTrace(t, fleet)
				tr.live(12*hour, p)
				tr.want()
			})
		}
	}
}

// A controller that answers and marks its value as none has no sensor.
func TestAValueThatIsMarkedAsNoneIsOutOfRange(t *testing.T) {
	for _, q := range []reading.Quality{reading.Marked, reading.Faulty, reading.OutOfService, reading.Overridden, reading.OtherUnit} {
		t.Run(q.String(), func(t *testing.T) { checkMarked(t, q) })
	}
}

func checkMarked(t *testing.T, q reading.Quality) {
	tr := newTrace(t, testFleet(1))
	tr.steady(time.Hour, healthy)
	mark := func(span time.Duration) {
		for end := tr.now.Add(span); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
			r := &reading.Reading{Fan: "ef1", Gateway: "roof", Time: tr.now, Outcome: reading.Invalid}
			r.Set(reading.Speed, 0.6)
			r.Mark(reading.Pressure, q)
			tr.take(tr.e.Observe(r))
		}
	}
	mark(4 * time.Minute)
	tr.steady(time.Minute, healthy)
	mark(10 * time.Minute)
	tr.fail(30*time.Second, reading.Timeout) // clears nothing
	tr.steady(5*time.Minute, healthy)
	tr.want("1h10m0s raised sensor_out_of_range ef1", "1h17m30s cleared sensor_out_of_range ef1 recovered")
}

func TestEndsOfARegister(t *testing.T) {
	fleet := testFleet(1)
	f := fleet.Fans[0]
	for _, c := range []struct {
		kind      decode.Type
		scale     float64
		value     float64
		want, and bool // at the upper end; at the lower
	}{
		{decode.Int16, 0.25, 32767 * 0.25, true, false},
		{decode.Int16, 0.25, 32766 * 0.25, false, false},
		{decode.Int16, 0.25, -32768 * 0.25, false, true},
		{decode.Int16, -0.25, -32768 * -0.25, true, false},
		{decode.Uint16, 0.1, 6553.5, true, false},
		{decode.Uint16, 0.1, 0, false, false},
		{decode.Float32, 1, 1e30, false, false},
	} {
		f.Points[0].Encoding.Type, f.Points[0].Encoding.Scale = c.kind, c.scale
		e := endsOf(f)
		if high, low := c.value >= e.high, c.value <= e.low; high != c.want || low != c.and {
			t.Errorf("%g of %s times %g: at the upper end %v, at the lower %v", c.value, c.kind, c.scale, high, low)
		}
	}
}
