package field_test

import (
	"testing"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// A fan that stands still at the top of a tall riser, on a day in January: with
// an indoor reference its reading lies between nothing and minus the draught,
// with an outdoor one between nothing and the draught; in July there is hardly
// any. (ASHRAE Handbook, Fundamentals, chapter 16, for the draught: 40 m and
// 20 K are some 30 Pa.)
func TestTheReadingOfAStoppedFanFollowsTheDraught(t *testing.T) {
	for _, c := range []struct {
		reference string
		start     time.Time
		low, high float64
	}{
		{"indoor", monday, -60, -4}, {"outdoor", monday, 5, 60},
		{"indoor", monday.AddDate(0, 6, 0), -14, 8}, {"outdoor", monday.AddDate(0, 6, 0), -8, 14},
	} {
		fleet := parse(t, entry("tall", 1, `pointmap = "full", duty = "bath", probe = "suction", setpoint = "-30 Pa", riser_height = "40 m", idle_below = "20 %", restart_rise = "60 Pa", reference = "`+c.reference+`"`))
		f := field.New(fleet, 4, c.start)
		put(t, f, field.Fault{Fan: "tall", Kind: field.NotPermitted})
		var sum, n float64
		f.Step(time.Hour)
		for range 2 * 60 { // before anyone is up
			f.Step(time.Minute)
			v, _ := f.Value("tall", reading.Pressure)
			sum, n = sum+v, n+1
		}
		if mean := sum / n; mean < c.low || mean > c.high {
			t.Errorf("reference %s, %s: it reads %.1f Pa, want %v to %v", c.reference, c.start.Format("January"), mean, c.low, c.high)
		}
	}
}
