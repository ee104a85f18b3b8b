package rules

import (
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *overrideLeftOn) finding(f *fan, s *sample) condition.Finding {
	finding := condition.Finding{
		Summary: "forced to " + f.percent(s.speed) + " by its override for " + units.Span(c.stand.stood) +
			"; an override should stand for " + units.Span(c.longest) + " at most",
		Evidence: []condition.Number{{Name: "speed", Value: s.speed}, {Name: "stood_s", Value: c.stand.stood.Seconds()},
			{Name: "override_at_most_s", Value: c.longest.Seconds()}},
		Causes: c.causes(f),
	}
	if s.hasValue {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: f.key(f.controlled.String()), Value: f.sense * s.level})
	}
	return finding
}

// causes ranks what forces a fan by when it began: people do so while they are
// at work, and what was never seen open may be wiring.
func (c *overrideLeftOn) causes(f *fan) []condition.Cause {
	people := condition.Cause{What: "somebody forced it for a repair, a test or a smell, and did not give it back",
		Check: "ask who worked there when it began, and whether the reason is gone, before anybody gives it back"}
	system := condition.Cause{What: "another system forces it: a fire panel, a smoke mode, a purge, a timer that stays on",
		Check: "ask those who answer for the fire alarm first; leave a fire or smoke mode to them"}
	wiring := condition.Cause{What: "the override input is closed by its wiring alone",
		Check: "see on the trend whether the input has ever opened; have a licensed electrician look at the terminals"}
	began := time.Unix(0, c.stand.since).In(f.zone)
	seen := f.mode.turned // it was seen to begin
	weekend := began.Weekday() == time.Saturday || began.Weekday() == time.Sunday
	work := !weekend && began.Hour() >= 7 && began.Hour() < 17
	at := "it began on " + began.Format("Mon 2 Jan at 15:04")
	return likeliest(supported(people, seen && work, at+", in working hours"), supported(system, seen && !work, at+", outside working hours"),
		supported(wiring, !seen, "the input has been closed since it was first read"))
}
