package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// weeks plays fans that run by the hour of the day, with what an hour of a fan
// needs more; every fan differs from day to day by about a point.
func weeks(t *testing.T, fans, n int, more func(id string, since time.Duration) float64) *trace {
	t.Helper()
	fleet := testFleet(fans)
	fleet.PollEvery = 10 * time.Minute
	fleet.Gateways[0].PollEvery = 10 * time.Minute
	tr := newTrace(t, fleet)
	rnd := rand.New(rand.NewPCG(3, 4))
	chance := make(map[string]float64)
	tr.play(time.Duration(n)*7*24*time.Hour, func(id reading.FanID, since time.Duration) (reading.Outcome, values) {
		key := fmt.Sprint(id, since/(24*time.Hour))
		if _, drawn := chance[key]; !drawn {
			chance[key] = 0.01 * rnd.NormFloat64()
		}
		hour := float64(tr.now.Hour())
		speed := 0.45 + 0.15*math.Sin(2*math.Pi*(hour-9)/24) + chance[key] + more(string(id), since)
		return reading.OK, at(clamp(speed, 0.2, 1), -30+rnd.NormFloat64())
	})
	return tr
}

func week(since time.Duration) float64 { return since.Hours() / (7 * 24) }

func TestALoadThatCreepsIsFoundWithinWeeks(t *testing.T) {
	tr := weeks(t, 8, 10, func(id string, since time.Duration) float64 {
		if id == "ef1" {
			return 0.02 * max(0, week(since)-2) // two points a week from the third on
		}
		return 0
	})
	if len(tr.got) != 1 || tr.got[0].Condition != condition.CreepingLoad || tr.got[0].Fan != "ef1" {
		t.Fatalf("%v", tr.log)
	}
	raised := week(tr.got[0].Time.Sub(midnight))
	if raised < 4 || raised > 8 {
		t.Errorf("raised in week %.1f: %s", raised, tr.got[0].Summary)
	}
	t.Log(tr.got[0].Summary)
}

// Winter makes every fan of the building work more.
func TestASeasonThatAllShareIsNoCreep(t *testing.T) {
	weeks(t, 8, 12, func(_ string, since time.Duration) float64 { return 0.012 * week(since) }).want()
}

func TestASteadyLoadDoesNotCreep(t *testing.T) {
	weeks(t, 8, 12, func(string, time.Duration) float64 { return 0 }).want()
	weeks(t, 1, 12, func(string, time.Duration) float64 { return 0 }).want()
}

// Without others nobody can tell a season from a creep: it takes twice as much.
func TestALoneFanIsGivenMore(t *testing.T) {
	weeks(t, 1, 9, func(_ string, since time.Duration) float64 { return 0.01 * max(0, week(since)-2) }).want()
	tr := weeks(t, 1, 12, func(_ string, since time.Duration) float64 { return 0.025 * max(0, week(since)-2) })
	if len(tr.got) != 1 {
		t.Errorf("%v", tr.log)
	}
}

// A busy fortnight ends by itself.
func TestABusyWeekIsNoCreep(t *testing.T) {
	weeks(t, 8, 10, func(id string, since time.Duration) float64 {
		if w := week(since); id == "ef1" && w >= 4 && w < 4.5 {
			return 0.06
		}
		return 0
	}).want()
}

func TestANewSetpointIsLearnedAnew(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].Points = placed(0.25, reading.Pressure, reading.Speed, reading.Setpoint)
	fleet.PollEvery, fleet.Gateways[0].PollEvery = 10*time.Minute, 10*time.Minute
	tr := newTrace(t, fleet)
	tr.steady(4*7*24*time.Hour, at(0.5, -30).with(reading.Setpoint, -30))
	tr.steady(6*7*24*time.Hour, at(0.8, -60).with(reading.Setpoint, -60))
	tr.want()
}

// The cumulative sum is the handbook's: NIST/SEMATECH e-Handbook of Statistical
// Methods, section 6.3.2.3, with k and h as given there.
func TestCumulativeSum(t *testing.T) {
	xs := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
		328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	want := map[int]float64{13: 3.01, 14: 4.94, 15: 7.45, 16: 10.63, 17: 11.99, 18: 14.44, 19: 16.00, 20: 19.04}
	sum, first := 0.0, 0
	for i, x := range xs {
		sum = cumulate(sum, x-325, 0.3175)
		if w, known := want[i+1]; known && math.Abs(sum-w) > 0.0051 {
			t.Errorf("group %d: %.4f, want %.2f", i+1, sum, w)
		}
		if first == 0 && sum > 4.1959 {
			first = i + 1
		}
	}
	if first != 14 {
		t.Errorf("first signal at group %d, want 14", first)
	}
}

// The weighted mean is the handbook's, section 6.3.2.4: lambda 0.3 is the
// filter's step / (tau + step).
func TestExponentiallyWeightedMean(t *testing.T) {
	xs := []float64{52, 47, 53, 49.3, 50.1, 47, 51, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33, 50.11, 49.36, 49.52, 50.05, 49.38, 49.92,
		50.73, 51.23, 51.94, 51.99}
	l := filter{begun: true, value: 50}
	for i, x := range xs {
		if got := l.feed(x, 3*time.Second, 7*time.Second); math.Abs(got-want[i]) > 0.0051 {
			t.Errorf("%d: %.3f, want %.2f", i+1, got, want[i])
		}
	}
}
