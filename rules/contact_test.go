package rules

import (
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// withContact makes a fan one whose contact makes at 80 % and breaks at 70 %.
func withContact(f *config.Fan) {
	f.HasHighSpeed, f.HighSpeedAt, f.HighSpeedOffAt = true, 0.8, 0.7
}

// speeds plays a fan that holds its setpoint at the speeds of a function, with
// a contact.
func (tr *trace) speeds(span time.Duration, speed func(time.Duration) float64, closed func(time.Duration) bool) {
	tr.play(span, func(_ reading.FanID, since time.Duration) (reading.Outcome, values) {
		return reading.OK, at(speed(since), -30).with(reading.HighSpeed, step01(closed(since)))
	})
}

func constant[T any](v T) func(time.Duration) T { return func(time.Duration) T { return v } }

func TestAContactThatDoesNotFollowItsSpeed(t *testing.T) {
	for name, c := range map[string]struct {
		speed  float64
		closed bool
		want   string
	}{
		"open above where it makes":    {0.9, false, "should close at 80 %"},
		"closed below where it breaks": {0.5, true, "should open below 70 %"},
		"closed at rest":               {0, true, "should open below 70 %"},
		"open within the margin":       {0.84, false, ""},
		"closed within the margin":     {0.66, true, ""},
		"open between":                 {0.75, false, ""},
		"closed between":               {0.75, true, ""},
		"as it should be":              {0.9, true, ""},
	} {
		for _, every := range polls {
			fleet := fleetPolled(every)
			withContact(fleet.Fans[0])
			tr := newTrace(t, fleet)
			tr.speeds(20*time.Minute, constant(c.speed), constant(c.closed))
			if c.want == "" {
				if len(tr.got) > 0 {
					t.Errorf("%s: %v", name, tr.log)
				}
				continue
			}
			tr.within(condition.ContactDisagrees, midnight, 10*time.Minute+contactLag+5*every)
			if len(tr.got) > 0 && !strings.Contains(tr.got[0].Summary, c.want) {
				t.Errorf("%s: %s", name, tr.got[0].Summary)
			}
		}
	}
}

// A contact that is read one poll after the speed, or follows it with its
// delay, is no contact that disagrees.
func TestAContactThatFollowsLateIsWell(t *testing.T) {
	fleet := testFleet(1)
	withContact(fleet.Fans[0])
	fleet.Fans[0].HighSpeedDelay = 30 * time.Second
	tr := newTrace(t, fleet)
	high := func(at time.Duration) bool { return int(at/(6*time.Minute))%2 == 0 }
	tr.speeds(4*time.Hour, func(at time.Duration) float64 { return 0.5 + 0.45*step01(high(at)) },
		func(at time.Duration) bool { return high(at - 35*time.Second) })
	tr.want()
}

// Two minutes at high speed every half hour prove a contact that never closes
// after the fifth or sixth.
func TestVisitsToHighSpeedAddUp(t *testing.T) {
	fleet := testFleet(1)
	withContact(fleet.Fans[0])
	tr := newTrace(t, fleet)
	speed := func(at time.Duration) float64 { return 0.5 + 0.45*step01(at%(30*time.Minute) < 2*time.Minute) }
	tr.speeds(4*time.Hour, speed, constant(false))
	tr.within(condition.ContactDisagrees, midnight, 4*time.Hour)
}

func TestAContactThatIsMendedIsOver(t *testing.T) {
	fleet := testFleet(1)
	withContact(fleet.Fans[0])
	tr := newTrace(t, fleet)
	tr.speeds(15*time.Minute, constant(0.95), constant(false))
	tr.speeds(10*time.Minute, constant(0.5), constant(false)) // says nothing about it
	tr.speeds(10*time.Minute, constant(0.95), constant(true))
	tr.want("10m30s raised contact_disagrees ef1", "26m30s cleared contact_disagrees ef1 recovered")
}

func TestAThresholdThatNobodyTellsIsNotGuessed(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	tr.speeds(time.Hour, constant(0.95), constant(false))
	tr.want()
	tr.play(time.Hour, func(reading.FanID, time.Duration) (reading.Outcome, values) {
		return reading.OK, at(0.95, -30).with(reading.HighSpeed, 0).with(reading.HighSpeedAt, 0.8)
	})
	if len(tr.got) != 1 || tr.got[0].Condition != condition.ContactDisagrees {
		t.Errorf("%v", tr.log)
	}
}

func TestAnOverrideThatIsLeftOn(t *testing.T) {
	tr := newTrace(t, testFleet(1))
	forced := func(span time.Duration, speed float64, on float64) {
		tr.play(span, func(reading.FanID, time.Duration) (reading.Outcome, values) {
			return reading.OK, at(speed, -30).with(reading.Override, on)
		})
	}
	forced(23*time.Hour, 0.9, 1)
	tr.want()
	forced(2*time.Hour, 0.9, 1)
	forced(time.Hour, 0.5, 0)
	forced(48*time.Hour, 0, 1) // forced to stand: not judged
	tr.want("24h0m0s raised override_left_on ef1", "25h0m0s cleared override_left_on ef1 recovered")
	if tr.got[0].Severity != condition.Note || !strings.Contains(tr.got[0].Summary, "90 %") {
		t.Errorf("%+v", tr.got[0])
	}
}

func TestAFaultOfTheControllerExplainsWhatItsFanDoesNotDo(t *testing.T) {
	fleet := testFleet(1)
	idling(fleet.Fans[0])
	tr := newTrace(t, fleet)
	tr.steady(time.Hour, at(0, 40).with(reading.Fault, 1)) // at rest, far past its restart point
	tr.want("1m0s raised controller_fault ef1")
	_, _, standing := tr.e.FanView("ef1")
	if len(standing) != 2 || standing[1].Condition != condition.StuckIdle || standing[1].SilencedBy != condition.ControllerFault {
		t.Errorf("%+v", standing)
	}
	tr.steady(time.Minute, at(0.5, -30).with(reading.Fault, 0))
	tr.want("1m0s raised controller_fault ef1", "1h0m15s cleared controller_fault ef1 recovered")
}
