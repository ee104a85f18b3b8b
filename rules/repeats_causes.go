package rules

import (
	"fmt"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (p *repeats) finding(g *gateway) condition.Finding {
	long, expected := p.rule.stand.stood, float64(int(p.missed))
	return condition.Finding{
		Summary: fmt.Sprintf("the gateway answers, and all values of its %s have been the same to the last digit for %s; %.0f changes were usual",
			fans(len(g.fans)), units.Span(long), expected),
		Evidence: []condition.Number{
			{Name: "stood_s", Value: long.Seconds()},
			{Name: "readings", Value: float64(p.reads)},
			{Name: "expected_changes", Value: expected},
			{Name: "fans_answering", Value: float64(g.answers)},
		},
		Causes: p.causes(g),
	}
}

// causes ranks what repeats old values by whether the gateway's own heartbeat
// stands as well: then the gateway's own work has stopped, and not its line alone.
func (p *repeats) causes(g *gateway) []condition.Cause {
	line := condition.Cause{What: "the gateway has lost its line and goes on giving what it last read",
		Check: "look at the lamps of its serial side, and in its own page for the time of the last answer of each unit; " +
			"the fans go on by themselves meanwhile"}
	hangs := condition.Cause{What: "its polling of the units has stopped or hangs",
		Check: "look in its own page whether polling runs; have it started anew in working hours, once"}
	between := condition.Cause{What: "something between answers in its place: a proxy, a cache or a test bench",
		Check: "compare one value with the controller's own display, and the address with the fleet file's"}
	switch b := &p.beat; {
	case b.known && b.lives.missed > aloneMissed:
		by := fmt.Sprintf("its heartbeat stands at %.0f too", b.value)
		return likeliest(supported(hangs, true, by), supported(between, true, by), line)
	case b.known && b.lives.learned():
		return likeliest(supported(line, true, "its heartbeat still moves"), between, hangs)
	}
	together := fmt.Sprintf("none of its %s has changed in that time, and it goes on answering for each", fans(len(g.fans)))
	return likeliest(supported(line, len(g.fans) > 1, together), supported(hangs, len(g.fans) > 1, together), between)
}
