package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
	"unsafe"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// swinging is what a fan reads whose speed and pressure swing as sines, the
// pressure a quarter of a period late.
func swinging(at, period time.Duration, speed, pressure float64) values {
	phase := 2 * math.Pi * at.Seconds() / period.Seconds()
	return values{reading.Speed: 0.55 + speed*math.Sin(phase), reading.Pressure: -30 + pressure*math.Cos(phase)}
}

func (tr *trace) run(span time.Duration, read func(since time.Duration) values) {
	tr.play(span, func(_ reading.FanID, since time.Duration) (reading.Outcome, values) { return reading.OK, read(since) })
}

func TestSwingsAreHuntingAfterTheHoldOrSixCycles(t *testing.T) {
	for _, every := range []time.Duration{time.Second, 5 * time.Second, 30 * time.Second} {
		for _, period := range []time.Duration{20 * time.Second, 45 * time.Second, 2 * time.Minute, 5 * time.Minute, 8 * time.Minute} {
			if period < 4*every {
				continue
			}
			for name, size := range map[string][2]float64{"both": {0.1, 8}, "speed": {0.04, 1}, "value": {0.01, 4}} {
				tr := newTrace(t, fleetPolled(every))
				tr.run(80*time.Minute, func(at time.Duration) values { return swinging(at, period, size[0], size[1]) })
				limit := max(10*time.Minute+2*every+3*time.Second+period, 8*period, 6*period+14*time.Minute)
				if t.Run(fmt.Sprintf("%s, %s every %s", name, period, every), func(t *testing.T) {
					tr.t = t
					tr.within(condition.Hunting, midnight, limit)
				}); len(tr.got) != 1 {
					t.Errorf("%s, %s every %s: %v", name, period, every, tr.log)
				}
			}
		}
	}
}

func TestHuntingSaysHowItSwings(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.run(20*time.Minute, func(at time.Duration) values { return swinging(at, time.Minute, 0.1, 8) })
	tr.run(30*time.Minute, func(time.Duration) values { return at(0.55, -30) })
	if len(tr.got) != 2 || tr.got[1].Change != condition.Cleared || tr.got[1].Time.After(midnight.Add(30*time.Minute)) {
		t.Fatalf("changes are %v", tr.log)
	}
	want := map[string][2]float64{"period_s": {60, 2}, "cycles": {10, 1}, "swing_pa": {16, 1}, "swing_speed": {0.2, 0.01},
		"least_speed": {0.45, 0.01}, "most_speed": {0.65, 0.01}}
	for _, n := range tr.got[0].Evidence {
		if w, ok := want[n.Name]; ok && math.Abs(n.Value-w[0]) > w[1] {
			t.Errorf("%s is %v, want %v", n.Name, n.Value, w[0])
		}
		delete(want, n.Name)
	}
	if len(want) > 0 {
		t.Errorf("evidence lacks %v", want)
	}
	if s := tr.got[0].Summary; !strings.Contains(s, "points of speed every 60 s") || strings.Contains(s, "resolve") {
		t.Errorf("summary: %s", s)
	}
}

// Swings of less than four polls are shadows at best, and are said to be.
func TestSwingsThatPollingCannotResolveAreSaidToBe(t *testing.T) {
	tr := newTrace(t, fleetPolled(30*time.Second))
	tr.run(40*time.Minute, func(at time.Duration) values { return swinging(at, 70*time.Second, 0.1, 8) })
	tr.within(condition.Hunting, midnight, 25*time.Minute)
	if s := tr.got[0].Summary; !strings.Contains(s, "every 30 s cannot resolve") {
		t.Errorf("summary: %s", s)
	}
}

func TestHuntingOutlivesGapsLostAnswersAndJitter(t *testing.T) {
	rnd := rand.New(rand.NewPCG(7, 7))
	tr := newTrace(t, testFleet(1))
	const period = 80 * time.Second
	begun := tr.now
	for end := tr.now.Add(40 * time.Minute); tr.now.Before(end); {
		if since := tr.now.Sub(begun); since > 5*time.Minute && since < 8*time.Minute {
			tr.now = tr.now.Add(3 * time.Minute)
		}
		o, v := reading.OK, swinging(tr.now.Sub(begun), period, 0.1, 8)
		if rnd.IntN(5) == 0 {
			o, v = reading.Timeout, nil
		}
		tr.feed("ef1", o, v)
		tr.now = tr.now.Add(5*time.Second + time.Duration(rnd.IntN(1600)-800)*time.Millisecond)
	}
	tr.within(condition.Hunting, begun, 25*time.Minute)
	if len(tr.got) != 1 {
		t.Errorf("changes are %v", tr.log)
	}
}

// A controller that acts far too fast swings from limit to limit.
func TestALoopThatActsTooFastHunts(t *testing.T) {
	for _, every := range polls {
		tr := newTrace(t, fleetPolled(every))
		p := newPlant(tr.fleet.Fans[0])
		p.gusts = 1
		begun, late := tr.now, -30.0
		for at := time.Duration(0); at < 50*time.Minute; at += time.Second {
			// Ten times the integral, and a sensor that is late: the loop is unstable.
			p.speed = clamp(p.speed+0.004*(p.sensed-p.cfg.Setpoint), p.cfg.MinSpeed, 1)
			p.gust += -p.gust/10 + p.noise.NormFloat64()*p.gusts*math.Sqrt(0.2)
			pressure := p.gust - p.fan*p.speed*p.speed
			late += (pressure - late) / 10
			p.sensed += (late - p.sensed) / 25
			if at%tr.every == 0 {
				tr.now = begun.Add(at)
				tr.feed("ef1", reading.OK, values{reading.Speed: p.speed, reading.Pressure: math.Round(4*p.sensed) / 4})
			}
		}
		tr.within(condition.Hunting, midnight, 40*time.Minute)
	}
}

func TestWhatIsNotHunting(t *testing.T) {
	rnd := rand.New(rand.NewPCG(8, 8))
	steady := func(speed, pressure float64) values { return values{reading.Speed: speed, reading.Pressure: pressure} }
	gust := 0.0
	ringing := func(at, each, period time.Duration) float64 { // four swings after each step
		since := at % each
		return math.Pow(0.6, 2*since.Seconds()/period.Seconds()) * math.Sin(2*math.Pi*since.Seconds()/period.Seconds())
	}
	for name, read := range map[string]func(at time.Duration) values{
		"noise": func(time.Duration) values { return steady(0.5+0.01*rnd.NormFloat64(), -30+3*rnd.NormFloat64()) },
		"gusts": func(time.Duration) values {
			gust += -gust/4 + rnd.NormFloat64()*4
			return steady(0.5, -30+gust)
		},
		"small swings": func(at time.Duration) values { return swinging(at, time.Minute, 0.02, 2) },
		"a slow loop that rings after each step": func(at time.Duration) values {
			return steady(0.55+0.1*ringing(at, 9*time.Minute, 100*time.Second), -30+15*ringing(at, 9*time.Minute, 100*time.Second))
		},
		"a fast loop that rings after each step": func(at time.Duration) values {
			return steady(0.55+0.1*ringing(at, 4*time.Minute, 40*time.Second), -30+15*ringing(at, 4*time.Minute, 40*time.Second))
		},
		"machines": func(at time.Duration) values {
			on := at%(12*time.Minute) < 5*time.Minute
			flank := math.Exp(-(at % (12 * time.Minute) % (5 * time.Minute)).Seconds() / 40)
			return steady(0.5+0.2*step01(on), -30+20*flank*(2*step01(on)-1)*step01(at%(12*time.Minute) < 8*time.Minute))
		},
		"starts and stops": func(at time.Duration) values {
			if at%(2*time.Minute) < 100*time.Second && at < 9*time.Minute {
				return steady(0.5+0.1*math.Sin(at.Seconds()/5), -30+9*math.Sin(at.Seconds()/5))
			}
			return steady(0, -20)
		},
		"a fan that touches its top": func(at time.Duration) values {
			return steady(min(1, 0.995+0.02*math.Sin(at.Seconds()/15)), -30+math.Sin(at.Seconds()/15))
		},
		"drift": func(at time.Duration) values { return swinging(at, 40*time.Minute, 0.2, 12) },
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTrace(t, testFleet(1))
			tr.run(6*time.Hour, read)
			for _, c := range tr.got {
				if c.Condition == condition.Hunting {
					t.Errorf("%s: %s", c.Time.Sub(midnight), c.Summary)
				}
			}
		})
	}
}

func TestTheRecordOfSwingsIsSmall(t *testing.T) {
	size := unsafe.Sizeof(hunting{})
	if size > 2048 {
		t.Errorf("hunting takes %d bytes a fan", size)
	}
	t.Logf("hunting takes %d bytes a fan, off_setpoint %d, pinned_at_min %d, short_cycling %d", size, unsafe.Sizeof(offSetpoint{}),
		unsafe.Sizeof(pinnedAtMin{}), unsafe.Sizeof(shortCycling{}))
}

// BenchmarkHunting judges a gusty fan, and one that hunts.
func BenchmarkHunting(b *testing.B) {
	rnd := rand.New(rand.NewPCG(9, 9))
	gusts := gustsOf(rnd, 1<<12, 3)
	for name, value := range map[string]func(i int) (speed, pressure float64){
		"gusts":  func(i int) (float64, float64) { return 0.5, 3 * gusts[i%len(gusts)] },
		"swings": func(i int) (float64, float64) { return 0.5 + 0.1*math.Sin(float64(i)/3), 9 * math.Cos(float64(i)/3) },
	} {
		b.Run(name, func(b *testing.B) {
			f := New(testFleet(1)).fans["ef1"]
			h := &hunting{hold: 10 * time.Minute}
			s := &sample{mode: condition.Controlling, hasSpeed: true, hasValue: true, hasSetpoint: true, gap: 20 * time.Second,
				tolerance: 5, step: 5 * time.Second}
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				s.now += int64(5 * time.Second)
				s.speed, s.demand = value(i)
				h.judge(f, s)
			}
		})
	}
}
