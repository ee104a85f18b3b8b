package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestAFanOffItsSetpointIsFoundAfterTheHold(t *testing.T) {
	for _, every := range polls {
		for name, pressure := range map[string]float64{"short": -20, "beyond": -38} {
			t.Run(fmt.Sprintf("%s every %s", name, every), func(t *testing.T) {
				rnd := rand.New(rand.NewPCG(1, 3))
				tr := newTrace(t, fleetPolled(every))
				tr.run(time.Hour, func(time.Duration) values { return at(0.6, pressure+rnd.NormFloat64()) })
				tr.within(condition.OffSetpoint, midnight, 45*time.Minute+3*time.Second+2*every)
				tr.run(30*time.Minute, func(time.Duration) values { return at(0.6, -30+rnd.NormFloat64()) })
				if len(tr.got) != 2 || tr.got[1].Reason != condition.Recovered || tr.got[1].Time.After(midnight.Add(75*time.Minute)) {
					t.Errorf("changes are %v", tr.log)
				}
			})
		}
	}
}

func TestOffSetpointSaysWhereTheFanStands(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(46*time.Minute, at(0.6, -20))
	tr.want("45m0s raised off_setpoint ef1")
	want := "has read -20.0 Pa against a setpoint of -30.0 Pa for 45 min at 60 % speed; it has speed left up to 100 % and does not use it"
	if s := tr.got[0].Summary; s != want {
		t.Errorf("summary: %s", s)
	}
	if c := tr.got[0].Causes[0].What; !strings.Contains(c, "another setpoint than the fleet file says") {
		t.Errorf("first cause of a fan whose setpoint is not read: %s", c)
	}
}

// A fan left in hand is short by day and beyond by night: that is one
// condition.
func TestAFanOffOnEitherSideStaysOff(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.run(8*time.Hour, func(since time.Duration) values {
		if since%(2*time.Hour) < time.Hour {
			return at(0.6, -15)
		}
		return at(0.6, -45)
	})
	tr.want("45m0s raised off_setpoint ef1")
}

func TestOffSetpointSurvivesLimitsGapsAndShortReturns(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(20*time.Minute, at(0.6, -20))
	tr.steady(5*time.Minute, at(1, -20)) // at its top: paused
	tr.steady(10*time.Minute, at(0.6, -20))
	tr.now = tr.now.Add(20 * time.Minute) // nothing known
	tr.steady(10*time.Minute, at(0.6, -20))
	tr.steady(2*time.Minute, at(0.6, -30)) // back, for a moment
	tr.steady(20*time.Minute, at(0.6, -20))
	if tr.within(condition.OffSetpoint, midnight, 85*time.Minute); len(tr.got) != 1 {
		t.Errorf("changes are %v", tr.log)
	}
}

func TestWhatIsNotOffItsSetpoint(t *testing.T) {
	rnd := rand.New(rand.NewPCG(2, 3))
	gust := 0.0
	for name, read := range map[string]func(since time.Duration) values{
		"within tolerance": func(time.Duration) values { return at(0.6, -26) },
		"at its top":       func(since time.Duration) values { return at(1, -20+20*step01(since%(18*time.Minute) > 15*time.Minute)) },
		"at its lowest":    func(time.Duration) values { return at(0.2, -40) },
		"forced":           func(time.Duration) values { return at(0.6, -20).with(reading.Override, 1) },
		"disabled":         func(time.Duration) values { return at(0.6, -20).with(reading.Enable, 0) },
		"gusts": func(time.Duration) values {
			gust += -gust/6 + 4*rnd.NormFloat64()
			return at(0.6, -30+gust)
		},
		"demand that keeps changing": func(since time.Duration) values {
			return at(0.6, -30+14*math.Sin(2*math.Pi*since.Minutes()/37)+6*math.Sin(2*math.Pi*since.Minutes()/23))
		},
		"a slow loop that follows": func(since time.Duration) values { return at(0.3+0.005*min(since.Minutes(), 120), -22) },
		"half an hour": func(since time.Duration) values {
			return at(0.6, -30+10*step01(since%time.Hour < 30*time.Minute))
		},
	} {
		t.Run(name, func(t *testing.T) {
			tr := newTrace(t, testFleet(1))
			tr.run(2*time.Hour, read)
			for _, c := range tr.got {
				if c.Condition == condition.OffSetpoint {
					t.Errorf("%s: %s", c.Time.Sub(midnight), c.Summary)
				}
			}
		})
	}
}

func TestAnAirflowOffItsSetpointIsFound(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].ControlsAirflow, fleet.Fans[0].Setpoint = true, 0.5
	tr := newTrace(t, fleet)
	tr.steady(50*time.Minute, values{reading.Speed: 0.6, reading.Airflow: 0.35})
	tr.want("45m0s raised off_setpoint ef1")
	if s := tr.got[0].Summary; !strings.Contains(s, "350 L/s against a setpoint of 500 L/s") {
		t.Errorf("summary: %s", s)
	}
}
