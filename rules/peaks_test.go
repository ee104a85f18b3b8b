package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// peak is a healthy fan overrun by its branch fans twice a day: 18 minutes at
// the top with a reading on the suction side well above zero.
type peak struct {
	strength float64 // Pa, of the fan at full speed
	quick    float64 // of the controller
	every    time.Duration
	over     time.Duration // in which demand comes
	drive    float64       // speed a second that the drive allows; 0: any
	permit   time.Duration // from off: how long after demand begins the fan may start
	from     string        // what the fan does before: idle, control, off
	up       float64       // Pa, reading at the top
}

func (p peak) String() string {
	return fmt.Sprintf("%v Pa, controller x%.2g, every %v, over %v, drive %.2g, from %s (%v), to %v Pa", p.strength, p.quick, p.every, p.over, p.drive, p.from, p.permit, p.up)
}

// plays returns what is raised, and whether the fan was overrun.
func (p peak) plays(t testing.TB) (log []string, overrun bool) {
	fleet := testFleet(1)
	cfg := fleet.Fans[0]
	fleet.PollEvery, fleet.Gateways[0].PollEvery = p.every, p.every
	fleet.StaleAfter, fleet.Gateways[0].StaleAfter = 4*p.every, 4*p.every
	tr := newTrace(t, fleet)
	before := 0.0
	if p.from == "idle" {
		idling(cfg)
	} else {
		before = max(0, 0.2*p.strength-30)
	}
	pl := newPlant(cfg)
	pl.fan, pl.gusts, pl.quick, pl.ramp = p.strength, 1, p.quick*150/p.strength, p.drive
	first, second := 90*time.Minute, 4*time.Hour
	pl.push = func(at time.Duration) float64 {
		if at == first+12*time.Minute {
			overrun = pl.speed > 0.98 && pl.sensed > p.up/2
		}
		for _, begin := range []time.Duration{first, second} {
			if at >= begin && at < begin+18*time.Minute {
				share := clamp(float64(at-begin)/float64(max(p.over, time.Second)), 0, 1)
				return before + share*(p.strength+p.up-before)
			}
		}
		return before
	}
	if p.from == "off" {
		pl.showsEnable = true
		pl.enabled = func(at time.Duration) bool { return at < first-20*time.Minute || at >= first+p.permit }
	}
	tr.live(5*time.Hour, pl)
	return tr.log, overrun
}

func TestAPeakOfDemandIsNoTrouble(t *testing.T) {
	rnd := rand.New(rand.NewPCG(3, 5))
	tried, overrun := 0, 0
	for range 150 {
		p := somePeak(rnd)
		log, over := p.plays(t)
		if tried++; over {
			overrun++
		}
		if len(log) > 0 {
			t.Errorf("%v: %s", p, strings.Join(log, "; "))
		}
	}
	if overrun < tried/2 {
		t.Errorf("only %d fans of %d were overrun", overrun, tried)
	}
}

// somePeak draws a peak.
func somePeak(rnd *rand.Rand) peak {
	return peak{
		strength: 60 * math.Pow(1000.0/60, rnd.Float64()),
		quick:    0.2 * math.Pow(25, rnd.Float64()),
		every:    []time.Duration{time.Second, 5 * time.Second, 15 * time.Second, 30 * time.Second}[rnd.IntN(4)],
		over:     []time.Duration{0, time.Minute, 3 * time.Minute, 5 * time.Minute}[rnd.IntN(4)],
		drive:    []float64{0, 0, 0.004, 0.01, 0.03}[rnd.IntN(5)],
		permit:   time.Duration(rnd.IntN(180)-60) * time.Second,
		from:     []string{"idle", "control", "off"}[rnd.IntN(3)],
		up:       30 + 20*rnd.Float64(),
	}
}
