package rules

import (
	"math/rand/v2"
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestReadingsThatComeLateOrTwiceChangeNothing(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	one := func(at time.Time, v values) {
		r := reading.Reading{Fan: "ef1", Time: at}
		for p, value := range v {
			r.Set(p, value)
		}
		tr.take(tr.e.Observe(&r))
	}
	for i := range 12 * 30 {
		now := midnight.Add(time.Duration(i) * 5 * time.Second)
		one(now, at(1, -10))
		one(now, at(0.5, -30))                     // twice, and another value
		one(now.Add(-7*time.Second), at(0.5, -30)) // late
	}
	tr.want("22m0s raised pinned_at_max ef1")
	if late := tr.e.Late(); late != 2*12*30 {
		t.Errorf("%d readings late, want %d", late, 2*12*30)
	}
}

func TestReorderedReadings(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	rnd := rand.New(rand.NewPCG(1, 1))
	var times []time.Time
	for i := range 12 * 40 {
		times = append(times, midnight.Add(time.Duration(i)*5*time.Second))
	}
	for i := range times {
		j := min(i+rnd.IntN(4), len(times)-1)
		times[i], times[j] = times[j], times[i]
	}
	for _, tr.now = range times {
		tr.feed("ef1", reading.OK, at(1, -10))
	}
	if len(tr.got) != 1 || tr.got[0].Time.Before(midnight.Add(22*time.Minute)) || tr.got[0].Time.After(midnight.Add(23*time.Minute)) {
		t.Errorf("changes are %v", tr.log)
	}
}

func TestAClockThatWasSetBackIsFollowed(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.now = midnight.Add(time.Hour)
	tr.steady(10*time.Minute, at(1, -10))
	tr.now = midnight
	tr.steady(20*time.Minute, at(1, -10))
	// Ten readings passed until the clock was believed, and their time is lost.
	tr.want("12m50s raised pinned_at_max ef1")
	tr.fail(2*time.Minute, reading.Timeout)
	tr.want("12m50s raised pinned_at_max ef1", "21m0s raised gateway_down roof")
}

func TestAGapInAHoldNeitherCountsNorResets(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(11*time.Minute, at(1, -10))
	tr.now = tr.now.Add(time.Hour)
	tr.steady(20*time.Minute, at(1, -10))
	// 10 min 55 s before the gap, the rest of 22 min after it.
	tr.want("1h22m5s raised pinned_at_max ef1")
}

func TestACoarseRecordingIsJudgedAtItsOwnPace(t *testing.T) {
	tr := newTrace(t, testFleet(1)) // polled every 5 s by its fleet file
	tr.every = time.Minute
	tr.steady(40*time.Minute, at(1, -10))
	tr.want("22m0s raised pinned_at_max ef1")
}

func TestReadingsOfStrangersAreCounted(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.feed("nobody", reading.OK, at(1, -10))
	if tr.e.Unknown() != 1 {
		t.Errorf("%d unknown", tr.e.Unknown())
	}
	if mode, verdicts, standing := tr.e.FanView("nobody"); mode != condition.Unknown || verdicts != nil || standing != nil {
		t.Errorf("a stranger is %s, %v, %v", mode, verdicts, standing)
	}
}

func TestASetpointThatTheControllerTellsIsTheOneThatCounts(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].Points = placed(0.25, reading.Pressure, reading.Speed, reading.Setpoint)
	tr := newTrace(t, fleet)
	tr.steady(time.Hour, at(1, -12).with(reading.Setpoint, -10)) // the file says -30
	tr.want()
	tr.steady(30*time.Minute, at(1, -12).with(reading.Setpoint, -40))
	// It is given 30 s to follow the new one.
	tr.want("1h22m30s raised pinned_at_max ef1")
}

func TestASetpointThatCannotBeReadIsNotGuessed(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].Points = placed(0.25, reading.Pressure, reading.Speed, reading.Setpoint)
	tr := newTrace(t, fleet)
	for end := tr.now.Add(time.Hour); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
		r := reading.Reading{Fan: "ef1", Time: tr.now}
		r.Set(reading.Speed, 1)
		r.Set(reading.Pressure, -10)
		r.Mark(reading.Setpoint, reading.Marked)
		tr.take(tr.e.Observe(&r))
	}
	tr.want()
}

func TestBeforeAFanIsInServiceThereAreNotesOnly(t *testing.T) {
	fleet := testFleet(1)
	fleet.Fans[0].InService = midnight.Add(time.Hour)
	tr := newTrace(t, fleet)
	tr.steady(61*time.Minute, at(1, -10))
	tr.want("22m0s raised pinned_at_max ef1", "1h0m0s cleared pinned_at_max ef1 superseded", "1h0m0s raised pinned_at_max ef1")
	if a, b := tr.got[0].Severity, tr.got[2].Severity; a != condition.Note || b != condition.Ticket {
		t.Errorf("severities %s, then %s", a, b)
	}
}
