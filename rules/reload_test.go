package rules

import (
	"testing"
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

func TestReloadKeepsTheStateOfAFan(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.steady(20*time.Minute, at(1, -10))
	next := testFleet(2)
	next.Fans[0].Setpoint = -40
	setting := next.Fans[1].Rules[condition.PinnedAtMax]
	setting.Hold = 25 * time.Minute
	next.Fans[1].Rules[condition.PinnedAtMax] = setting
	tr.take(tr.e.Reload(next, tr.now))
	tr.steady(10*time.Minute, at(1, -10))
	// A new setpoint is waited for 30 s, which do not count; a new hold counts
	// from when the evidence began.
	tr.want("22m35s raised pinned_at_max ef1", "25m0s raised pinned_at_max ef2")
}

func TestReloadDisarms(t *testing.T) {
	tr := newTrace(t, testFleet(3))
	tr.steady(30*time.Minute, at(1, -10))
	next := testFleet(2)
	setting := next.Fans[1].Rules[condition.PinnedAtMax]
	setting.Enabled = false
	next.Fans[1].Rules[condition.PinnedAtMax] = setting
	tr.log = nil
	tr.take(tr.e.Reload(next, tr.now))
	tr.want("30m0s cleared pinned_at_max ef3 disarmed", "30m0s cleared pinned_at_max ef2 disarmed")
	_, verdicts, standing := tr.e.FanView("ef2")
	for _, v := range verdicts {
		if v.Condition == condition.PinnedAtMax {
			t.Errorf("a rule that is switched off shows as %+v", v)
		}
	}
	if len(standing) != 0 {
		t.Errorf("standing %+v", standing)
	}
	tr.feed("ef3", reading.OK, at(1, -10))
	if tr.e.Unknown() != 1 {
		t.Error("a fan that is gone is still known")
	}
}

func TestReloadWithoutTheGatewayRuleTellsOfItsFansAgain(t *testing.T) {
	tr := newTrace(t, testFleet(2))
	tr.play(5*time.Minute, oneSilent)
	tr.fail(5*time.Minute, reading.Timeout)
	tr.log = nil
	next := testFleet(2)
	setting := next.Rules[condition.GatewayDown]
	setting.Enabled = false
	next.Rules[condition.GatewayDown] = setting
	tr.take(tr.e.Reload(next, tr.now))
	tr.want("10m0s cleared gateway_down roof disarmed")
	if verdicts, _ := tr.e.GatewayView("roof"); len(verdicts) != 2 || verdicts[0].Condition != condition.LineSilent {
		t.Errorf("verdicts %v", verdicts)
	}
}

func TestReloadMovesAFanToAnotherGateway(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.fail(5*time.Minute, reading.Timeout)
	next := testFleet(1)
	next.Gateways[0].ID = "cellar"
	tr.take(tr.e.Reload(next, tr.now))
	tr.fail(2*time.Minute, reading.Timeout)
	tr.want("1m0s raised gateway_down roof", "5m0s cleared gateway_down roof disarmed", "6m0s raised gateway_down cellar")
}

// A fan at which somebody works is not judged, and is judged anew afterwards.
func TestAFanOutOfServiceIsNotJudged(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.steady(30*time.Minute, at(1, -10))
	tr.take(tr.e.SetOutOfService("ef1", true, tr.now))
	tr.steady(2*time.Hour, at(1, -10))
	if _, verdicts, standing := tr.e.FanView("ef1"); len(standing) != 0 || verdicts[0].State != condition.CannotJudge {
		t.Errorf("%+v %+v", verdicts, standing)
	}
	tr.restart()
	tr.steady(time.Hour, at(1, -10))
	tr.take(tr.e.SetOutOfService("ef1", false, tr.now))
	tr.steady(30*time.Minute, at(1, -10))
	tr.want("22m0s raised pinned_at_max ef1", "30m0s cleared pinned_at_max ef1 disarmed", "3h52m0s raised pinned_at_max ef1")
	if len(tr.e.SetOutOfService("nobody", true, tr.now)) != 0 {
		t.Error("a stranger")
	}
}
