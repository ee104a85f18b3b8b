package rules

import (
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// lossy plays a fan behind a line that loses some of its polls, beside one that
// always answers. After a loss the next is lost with the rate again.
func lossy(tr *trace, rnd *rand.Rand, span time.Duration, rate, again float64) {
	lost := false
	tr.play(span, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
		if id != "ef1" {
			return reading.OK, at(0.6, -30)
		}
		chance := rate
		if lost {
			chance = again
		}
		if lost = rnd.Float64() < chance; lost {
			return reading.Garbled, nil
		}
		return reading.OK, at(0.6, -30)
	})
}

func TestALossyLineIsNoSilentController(t *testing.T) {
	for _, every := range polls {
		for seed := range uint64(4) {
			rnd := rand.New(rand.NewPCG(seed, 11))
			fleet := testFleet(2)
			fleet.PollEvery, fleet.Gateways[0].PollEvery = every, every
			tr := newTrace(t, fleet)
			span := min(20000*every, 100*time.Hour)
			lossy(tr, rnd, span, 0.2, 0.2)
			lossy(tr, rnd, span, 0.05, 0.5) // in bursts
			tr.want()
			from := tr.now
			lossy(tr, rnd, time.Hour, 1, 1)
			tr.within(condition.ControllerSilent, from, max(2*time.Minute, 30*every)+2*every)
		}
	}
}

// Without a poll that was ever lost, or with one in a day, the hold is all.
func TestASilentControllerOnAGoodLineWaitsItsHoldAlone(t *testing.T) {
	for _, losses := range []int{0, 1, 3} {
		fleet := testFleet(2)
		fleet.PollEvery, fleet.Gateways[0].PollEvery = 30*time.Second, 30*time.Second
		tr := newTrace(t, fleet)
		rnd := rand.New(rand.NewPCG(1, 1))
		for range losses {
			lossy(tr, rnd, 8*time.Hour, 0, 0)
			lossy(tr, rnd, 30*time.Second, 1, 1)
		}
		lossy(tr, rnd, 8*time.Hour, 0, 0)
		from := tr.now
		lossy(tr, rnd, time.Hour, 1, 1)
		tr.within(condition.ControllerSilent, from, 3*time.Minute)
	}
}

func TestAnOutageTeachesNothingOfTheLine(t *testing.T) {
	l := loss{}
	for range 5 {
		for range 400 {
			l.count(true)
		}
		for range 400 {
			l.count(false)
		}
	}
	if l.rate() != 0 {
		t.Errorf("rate %v", l.rate())
	}
}
