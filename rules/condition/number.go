package condition

import (
	"strings"

	"fanwarden/poller/units"
)

// endings are the ends of the names of numbers, and what they measure. The
// first that fits counts; the ones with an underscore are units and no part of
// what the number is called.
var endings = [...]struct {
	end string
	of  units.Dimension
}{
	{"_pa", units.Pressure}, {"_m3s", units.Flow}, {"_w", units.Power}, {"_s", units.Time}, {"_c", units.Temperature},
	{"_ratio", units.Ratio}, {"rpm", units.Rotation},
	// speeds, and the thresholds of speed that the fleet file has
	{"speed", units.Ratio}, {"speed_at", units.Ratio}, {"_off_at", units.Ratio}, {"_below", units.Ratio},
}

// Dimension is what the number measures, which the ending of its name says
// ("stood_s", "before_speed"), and what it is called without its unit. A name
// without such an ending is that of a count, or of a contact: then it is 0 or 1.
func (n Number) Dimension() (units.Dimension, string) {
	for _, e := range endings {
		if called, ok := strings.CutSuffix(n.Name, e.end); ok {
			if e.end[0] != '_' || strings.HasSuffix(e.end, "_at") || e.end == "_below" {
				called = n.Name
			}
			return e.of, called
		}
	}
	return units.Plain, n.Name
}

// Contact reports whether the number is the state of a contact, 0 or 1.
func (n Number) Contact() bool {
	return strings.HasSuffix(n.Name, "_contact") || n.Name == "proof" || n.Name == "fault"
}
