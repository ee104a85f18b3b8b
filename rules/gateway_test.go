package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

var healthy = at(0.6, -30)

func TestGatewayDownIsRaisedAloneAndClearedWithTheFirstAnswer(t *testing.T) {
	tr := newTrace(t, testFleet(3))
	tr.steady(10*time.Minute, healthy)
	tr.fail(10*time.Minute, reading.Timeout)
	tr.steady(10*time.Minute, healthy)
	tr.want("11m0s raised gateway_down roof", "20m0s cleared gateway_down roof recovered")
}

func TestGatewayDownFromTheFirstReading(t *testing.T) {
	for _, o := range []reading.Outcome{reading.Timeout, reading.Refused, reading.Reset, reading.Garbled} {
		tr := newTrace(t, testFleet(2))
		tr.fail(5*time.Minute, o)
		tr.want("1m0s raised gateway_down roof")
	}
}

// While a clock that was set back is not yet believed, its readings are left out:
// what they might have said against an outage must not count for it.
func TestWhatIsLeftOutAfterTheClockWasSetBackCountsForNothing(t *testing.T) {
	for name, outcome := range map[condition.Name]reading.Outcome{condition.GatewayDown: reading.Timeout, condition.LineSilent: reading.UnitSilent,
		condition.ControllerSilent: reading.UnitSilent} {
		t.Run(string(name), func(t *testing.T) {
			ill := func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
				if name == condition.ControllerSilent && id != "ef1" {
					return reading.OK, healthy
				}
				return outcome, nil
			}
			hold := 60 * time.Second
			if name == condition.ControllerSilent {
				hold *= 2
			}
			tr := newTrace(t, testFleet(2))
			tr.steady(5*time.Minute, healthy)
			tr.play(hold-30*time.Second, ill)
			tr.now = tr.now.Add(-3 * time.Minute)
			tr.steady((setBack-1)*5*time.Second, healthy)
			tr.play(15*time.Second, ill)
			tr.steady(time.Minute, healthy)
			tr.want()
		})
	}
}

// A clock that is set ahead by less than two minutes makes no outage of a failure.
func TestAClockThatIsSetAheadIsNoOutage(t *testing.T) {
	for _, outcome := range []reading.Outcome{reading.Timeout, reading.UnitSilent} {
		tr := newTrace(t, testFleet(2))
		tr.steady(5*time.Minute, healthy)
		tr.fail(10*time.Second, outcome)
		tr.now = tr.now.Add(115 * time.Second)
		tr.fail(10*time.Second, outcome)
		tr.steady(time.Minute, healthy)
		tr.want()
	}
}

// The daemon was away for a minute and more, and nothing was heard just before and
// just after, as when a machine starts anew: what was meanwhile nobody knows. What
// truly goes on is told once its hold is full, and counts what came before.
func TestTheTimeThatADaemonWasAwayIsNoOutage(t *testing.T) {
	for name, outcome := range map[condition.Name]reading.Outcome{condition.GatewayDown: reading.Timeout, condition.LineSilent: reading.UnitSilent,
		condition.ControllerSilent: reading.UnitSilent} {
		t.Run(string(name), func(t *testing.T) {
			ill := func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
				if name == condition.ControllerSilent && id != "ef1" {
					return reading.OK, healthy
				}
				return outcome, nil
			}
			for _, goesOn := range []bool{false, true} {
				tr := newTrace(t, testFleet(2))
				tr.steady(5*time.Minute, healthy)
				tr.play(30*time.Second, ill)
				tr.now = tr.now.Add(110 * time.Second)
				tr.restart()
				tr.play(20*time.Second, ill)
				if !goesOn {
					tr.steady(time.Minute, healthy)
					tr.want()
					continue
				}
				tr.play(3*time.Minute, ill)
				if !raised(tr, name) {
					t.Error("what goes on is not told")
				}
			}
		})
	}
}

func TestControllerSilent(t *testing.T) {
	for _, o := range []reading.Outcome{reading.Timeout, reading.UnitSilent, reading.PathUnavailable, reading.Garbled,
		reading.Exception} {
		t.Run(o.String(), func(t *testing.T) {
			tr := newTrace(t, testFleet(3))
			tr.play(10*time.Minute, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
				if id == "ef2" {
					return o, nil
				}
				return reading.OK, healthy
			})
			tr.steady(time.Minute, healthy)
			tr.want("2m0s raised controller_silent ef2", "10m0s cleared controller_silent ef2 recovered")
		})
	}
}

func TestSingleUnitThatTheGatewayCallsSilent(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.fail(5*time.Minute, reading.UnitSilent)
	tr.want("2m0s raised controller_silent ef1")
}

func TestLineSilent(t *testing.T) {
	tr := newTrace(t, testFleet(3))
	tr.fail(5*time.Minute, reading.UnitSilent)
	tr.steady(time.Minute, healthy)
	tr.want("1m0s raised line_silent roof", "5m0s cleared line_silent roof recovered")
}

func TestAnExceptionWithItsValuesIsNotSilent(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.play(time.Hour, func(reading.FanID, time.Duration) (reading.Outcome, values) { return reading.Exception, healthy })
	tr.want()
}

// oneSilent lets ef1 time out while the others answer.
func oneSilent(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
	if id == "ef1" {
		return reading.Timeout, nil
	}
	return reading.OK, healthy
}

func TestGatewayDownSilencesWhatStood(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.play(5*time.Minute, oneSilent)
	tr.fail(5*time.Minute, reading.Timeout)
	_, _, standing := tr.e.FanView("ef1")
	if len(standing) != 1 || standing[0].SilencedBy != condition.GatewayDown || standing[0].Raised.IsZero() {
		t.Errorf("silenced condition is shown as %+v", standing)
	}
	tr.play(5*time.Minute, oneSilent)
	tr.want("2m5s raised controller_silent ef1",
		"6m0s raised gateway_down roof", "6m0s cleared controller_silent ef1 silenced",
		"10m0s cleared gateway_down roof recovered", "12m5s raised controller_silent ef1")
}

func TestAnOutageDoesNotCountForItsUnits(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.play(time.Minute, oneSilent)
	tr.fail(30*time.Second, reading.Timeout)
	tr.play(3*time.Minute, oneSilent)
	// Of the time it took, half a minute was the gateway's own; and with the
	// first poll after each loss it is not known yet whose the silence is.
	tr.want("2m40s raised controller_silent ef1")
}

func TestMissingDataKeepsWhatStands(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(1, -10))
	tr.fail(time.Hour, reading.Timeout)
	tr.steady(time.Minute, at(1, -10))
	tr.want("22m0s raised pinned_at_max ef1", "31m0s raised gateway_down roof", "1h30m0s cleared gateway_down roof recovered")
}

func TestAControllerThatTheGatewayHasNotHeardIsSilent(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(5*time.Minute, healthy.with(reading.HeardAgo, 2))
	tr.steady(5*time.Minute, healthy.with(reading.HeardAgo, 60))
	tr.want("7m0s raised controller_silent ef1")
	want := "the gateway answers for the controller, and says that it has not heard from it for 60 s"
	if got := tr.got[0].Summary; got != want {
		t.Errorf("summary %q, want %q", got, want)
	}
}

func TestALineBehindADeadGatewayIsSilenced(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.fail(5*time.Minute, reading.UnitSilent)
	tr.fail(5*time.Minute, reading.Refused)
	_, standing := tr.e.GatewayView("roof")
	if len(standing) != 2 || standing[1].SilencedBy != condition.GatewayDown {
		t.Errorf("standing %+v", standing)
	}
	tr.fail(5*time.Minute, reading.UnitSilent)
	tr.want("1m0s raised line_silent roof", "6m0s raised gateway_down roof", "6m0s cleared line_silent roof silenced",
		"10m0s cleared gateway_down roof recovered", "11m0s raised line_silent roof")
}

// TestAFanThatIsNoLongerPolledDoesNotKeepItsGatewayAlive lets one fan vanish
// from the readings while it was well.
func TestAFanThatIsNoLongerPolledDoesNotKeepItsGatewayAlive(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.steady(time.Minute, healthy)
	tr.fleet.Fans = tr.fleet.Fans[:1]
	tr.fail(10*time.Minute, reading.Timeout)
	if !raised(tr, condition.GatewayDown) {
		t.Errorf("changes are %v", tr.log)
	}
}

func TestVerdictsOfAGateway(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	verdicts, _ := tr.e.GatewayView("roof")
	for _, v := range verdicts {
		if v.State != condition.CannotJudge {
			t.Errorf("before the first reading %+v", v)
		}
	}
	tr.fail(2*time.Minute, reading.Timeout)
	verdicts, standing := tr.e.GatewayView("roof")
	if verdicts[0].State != condition.Present || verdicts[0].Severity != condition.Ticket || len(standing) != 1 {
		t.Errorf("verdicts %+v, standing %+v", verdicts, standing)
	}
	if v, s := tr.e.GatewayView("nowhere"); v != nil || s != nil {
		t.Errorf("a gateway that is not in the fleet is %v, %v", v, s)
	}
}
