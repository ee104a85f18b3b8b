package condition

import (
	"testing"

	"fanwarden/poller/units"
)

func TestTheNameOfANumberSaysWhatItMeasures(t *testing.T) {
	for name, want := range map[string]struct {
		of     units.Dimension
		called string
	}{
		"pressure_pa":            {units.Pressure, "pressure"},
		"airflow_m3s":            {units.Flow, "airflow"},
		"usual_power_w":          {units.Power, "usual_power"},
		"override_at_most_s":     {units.Time, "override_at_most"},
		"outdoor_c":              {units.Temperature, "outdoor"},
		"lost_before_ratio":      {units.Ratio, "lost_before"},
		"usual_rpm":              {units.Rotation, "usual_rpm"},
		"before_speed":           {units.Ratio, "before_speed"},
		"held_setpoint_at_speed": {units.Ratio, "held_setpoint_at_speed"},
		"high_speed_at":          {units.Ratio, "high_speed_at"},
		"recorded_idle_below":    {units.Ratio, "recorded_idle_below"},
		"high_speed_contact":     {units.Plain, "high_speed_contact"},
		"expected_changes":       {units.Plain, "expected_changes"},
	} {
		if of, called := (Number{Name: name}).Dimension(); of != want.of || called != want.called {
			t.Errorf("%s is %v, called %q", name, of, called)
		}
	}
	for name, want := range map[string]bool{"proof": true, "fault": true, "high_speed_contact": true, "cycles": false} {
		if got := (Number{Name: name}).Contact(); got != want {
			t.Errorf("%s is a contact: %v", name, got)
		}
	}
}
