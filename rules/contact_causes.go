package rules

import (
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *contactDisagrees) finding(f *fan, s *sample) condition.Finding {
	makes, breaks, _, _ := f.threshold(s)
	stood := c.stuck[c.why].stand.stood
	finding := condition.Finding{
		Summary: "the high-speed contact is open at " + f.percent(s.speed) + " speed, " + units.Span(stood) +
			" so far; it should close at " + f.percent(makes),
		Evidence: []condition.Number{{Name: "speed", Value: s.speed}, {Name: "high_speed_contact", Value: 0},
			{Name: "high_speed_at", Value: makes}, {Name: "high_speed_off_at", Value: breaks},
			{Name: "stood_s", Value: stood.Seconds()}},
		Causes: c.causes(),
	}
	if c.why == below {
		finding.Summary = "the high-speed contact is closed at " + f.percent(s.speed) + " speed, " + units.Span(stood) +
			" so far; it should open below " + f.percent(breaks)
		finding.Evidence[1].Value = 1
	}
	return finding
}

// causes ranks what keeps a contact by what it does on the other side of its
// threshold: one that is wrong there too is wired the other way round, one that is
// right there has stood still or has another threshold.
func (c *contactDisagrees) causes() []condition.Cause {
	threshold := condition.Cause{What: "the contact's threshold is set higher than the fleet file says",
		Check: "compare `high_speed_at` with the controller's own setting, and see on the trend whether the contact ever closes"}
	wire := condition.Cause{What: "the wire between contact and gateway is off, or the input is wired to another contact",
		Check: "see with `fanwarden points` whether its input ever changes, and whether a neighbour's changes with this fan"}
	relay := condition.Cause{What: "the contact or its relay has failed open",
		Check: "find out what the contact switches or reports to; have a licensed electrician measure at the terminals, where other systems' voltage may be"}
	reversed := condition.Cause{What: "the contact is wired the other way round",
		Check: "see on the trend whether it is closed at low speed: then the point map wants invert = true"}
	other, there := &c.stuck[below].stand, "at low speed it is closed"
	right := "it is open at low speed as well, where it should be"
	if c.why == below {
		threshold = condition.Cause{What: "the contact's threshold is set lower than the fleet file says",
			Check: "compare `high_speed_at` with the controller's own setting, and see on the trend at what speed the contact makes"}
		relay = condition.Cause{What: "the contact is welded, or its wires touch",
			Check: "find out what the contact switches or reports to before anybody works at it; have a licensed electrician measure"}
		reversed.Check = "see on the trend whether it opens at high speed: then the point map wants invert = true"
		other, there = &c.stuck[above].stand, "at high speed it is open"
		right = "it is closed at high speed as well, where it should be"
	}
	known := other.last != 0 // it was proven there
	reversed = supported(reversed, known && other.open && other.stood > 0, there+", the wrong way round too")
	relay, wire = supported(relay, known && !other.open, right), supported(wire, known && !other.open, right)
	if c.why == below {
		return likeliest(threshold, relay, reversed)
	}
	return likeliest(threshold, wire, relay, reversed)
}
