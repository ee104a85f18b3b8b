package rules

import (
	"fmt"
	"math/bits"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *settingsChanged) finding(f *fan, s *sample) condition.Finding {
	was, _ := c.was(f, c.which)
	is, _ := s.r.Get(c.which)
	recordedIn := "when it was first read"
	if _, given := f.cfg.Given(c.which); given {
		recordedIn = "in the fleet file"
	}
	show := func(v float64) string { return f.units.Format(v, c.which.Dimension()) }
	key := c.which.String() + suffix(c.which.Dimension())
	more := ""
	if n := bits.OnesCount16(c.differs); n > 1 {
		more = fmt.Sprintf("; %d settings differ", n)
	}
	return condition.Finding{
		Summary:  "the controller's " + c.which.String() + " reads " + show(is) + ", and was " + show(was) + " " + recordedIn + more,
		Evidence: []condition.Number{{Name: key, Value: is}, {Name: "recorded_" + key, Value: was}, {Name: "stood_s", Value: c.stand.stood.Seconds()}},
		Causes:   c.causes(f),
	}
}

// causes ranks who changed a setting by how many changed with it: a controller
// that was replaced has lost all of them.
func (c *settingsChanged) causes(f *fan) []condition.Cause {
	person := condition.Cause{What: "somebody changed it at the controller",
		Check: "ask who worked there; if the new value is meant, write it in the fleet file, and it is the recorded one"}
	replaced := condition.Cause{What: "the controller was replaced or reset, and has the settings it came with",
		Check: "compare its other settings with the papers of the handover"}
	misread := condition.Cause{What: "the point map reads this setting from the wrong place or with the wrong scale",
		Check: "compare `fanwarden points` with the controller's own display"}
	differ, read := bits.OnesCount16(c.differs), 0
	for i := range c.first {
		if _, mapped := f.cfg.Placed(reading.MinSpeed + reading.Point(i)); mapped {
			read++
		}
	}
	_, given := f.cfg.Given(c.which)
	by := ""
	switch {
	case differ == 1 && read > 1:
		by = fmt.Sprintf("of the %d settings that are read back only this one differs", read)
	case differ == 1 && !given:
		by = "it read otherwise when it was first heard, from the same place"
	}
	return likeliest(supported(person, by != "", by),
		supported(replaced, differ > 1, fmt.Sprintf("%d of the %d settings that are read back differ", differ, read)), misread)
}

// suffix is the base unit that ends the name of a number.
func suffix(d units.Dimension) string {
	switch d {
	case units.Pressure:
		return "_pa"
	case units.Time:
		return "_s"
	}
	return ""
}
