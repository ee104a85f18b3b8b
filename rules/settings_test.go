package rules

import (
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// readBack is a fleet of one fan that reads back two settings, in counts of a
// tenth of a percent and a tenth of a pascal.
func readBack() *config.Fleet {
	fleet := testFleet(1)
	fleet.Fans[0].Points = append(placed(0.1, reading.Pressure, reading.RestartRise), placed(0.001, reading.Speed, reading.MinSpeed)...)
	return fleet
}

func told(minSpeed, rise float64) values {
	return at(0.5, -30).with(reading.MinSpeed, minSpeed).with(reading.RestartRise, rise)
}

func TestASettingThatIsNoLongerWhatItWas(t *testing.T) {
	tr := newTrace(t, readBack())
	tr.steady(time.Hour, told(0.2, 45))
	tr.steady(time.Hour, told(0.35, 45))
	tr.want("1h10m0s raised settings_changed ef1")
	if s := tr.got[0].Summary; !strings.Contains(s, "min_speed reads 35 %, and was 20 %") {
		t.Errorf("%s", s)
	}
	tr.steady(time.Hour, told(0.2, 45))
	tr.want("1h10m0s raised settings_changed ef1", "2h1m0s cleared settings_changed ef1 recovered")
}

func TestOneCountOfRoundingIsNoChange(t *testing.T) {
	tr := newTrace(t, readBack())
	tr.steady(time.Hour, told(0.2, 45))
	tr.steady(time.Hour, told(0.201, 44.9))
	tr.want()
	tr.steady(time.Hour, told(0.202, 45))
	if len(tr.got) != 1 {
		t.Errorf("two counts: %v", tr.log)
	}
}

func TestARemoteSetpointIsNoSetting(t *testing.T) {
	fleet := readBack()
	fleet.Fans[0].Points = append(fleet.Fans[0].Points, placed(0.1, reading.Setpoint)...)
	tr := newTrace(t, fleet)
	tr.steady(time.Hour, told(0.2, 45).with(reading.Setpoint, -30))
	tr.steady(time.Hour, told(0.2, 45).with(reading.Setpoint, -31))
	tr.want()
}

// What was found at turnover is the record, whatever was heard first.
func TestWhatTurnoverFoundIsTheRecord(t *testing.T) {
	tr := newTrace(t, readBack())
	tr.steady(time.Hour, told(0.2, 45))
	found := map[reading.Point]float64{reading.MinSpeed: 0.35, reading.Setpoint: -30, reading.Pressure: -31}
	tr.e.SetBaseline("ef1", condition.Baseline{Time: midnight, Settings: found})
	tr.e.SetBaseline("ef9", condition.Baseline{Time: midnight, Settings: found})
	tr.steady(time.Hour, told(0.2, 45))
	tr.want("1h10m0s raised settings_changed ef1")
	tr.steady(time.Hour, told(0.35, 45))
	tr.want("1h10m0s raised settings_changed ef1", "2h1m0s cleared settings_changed ef1 recovered")
}

// A word that was misread once is not what is recorded.
func TestASettingIsRecordedOnceItStands(t *testing.T) {
	tr := newTrace(t, readBack())
	tr.steady(5*time.Second, told(0.9, 45))
	tr.steady(2*time.Hour, told(0.2, 45))
	tr.want()
}

func TestWhatTheFleetFileSaysIsTheRecord(t *testing.T) {
	fleet, faults := config.Parse("fleet.toml", []byte(`
[pointmaps.m]
points.pressure = {table = "input", address = 0, type = "int16", scale = 0.1, unit = "Pa"}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
points.run_on = {table = "holding", address = 0, type = "uint16", unit = "s"}
[[buildings]]
id = "alder"
[[gateways]]
id = "roof"
building = "alder"
url = "tcp://192.0.2.20"
[[fans]]
id = "ef1"
gateway = "roof"
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
idle_below = "20 %"
run_on = "90s"
restart_rise = "45 Pa"
`), nil)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	tr := newTrace(t, fleet)
	tr.steady(time.Hour, at(0.5, -30).with(reading.RunOn, 91))
	tr.want()
	tr.steady(time.Hour, at(0.5, -30).with(reading.RunOn, 300))
	tr.within(condition.SettingsChanged, midnight.Add(time.Hour), 11*time.Minute)
	if s := tr.got[0].Summary; !strings.Contains(s, "in the fleet file") {
		t.Errorf("%s", s)
	}
}

// A fan that cannot restart since somebody set its restart rise out of reach has
// one condition, as urgent as a fan that stays stopped.
func TestAChangedSettingIsAsUrgentAsWhatItExplains(t *testing.T) {
	fleet := readBack()
	idling(fleet.Fans[0])
	fleet.Fans[0].HasRestartRise = false
	tr := newTrace(t, fleet)
	resting := at(0, -5).with(reading.RestartRise, 45)
	tr.steady(time.Hour, resting)
	tr.steady(20*time.Minute, resting.with(reading.RestartRise, 60))
	tr.want("1h10m0s raised settings_changed ef1")
	tr.steady(time.Hour, at(0, 40).with(reading.RestartRise, 60))
	if n := len(tr.got); n != 3 || tr.got[1].Reason != condition.Superseded || tr.got[2].Condition != condition.SettingsChanged ||
		tr.got[2].Severity != condition.Ticket {
		t.Errorf("%v", tr.log)
	}
	_, _, standing := tr.e.FanView("ef1")
	if len(standing) != 2 || standing[1].Condition != condition.StuckIdle || standing[1].SilencedBy != condition.SettingsChanged {
		t.Errorf("%+v", standing)
	}
}
