package rules

import (
	"fmt"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (c *silent) finding(f *fan, _ *sample) condition.Finding {
	most, polls := reading.OK, 0
	for o, n := range c.outcomes {
		polls += int(n)
		if n > c.outcomes[most] {
			most = reading.Outcome(o)
		}
	}
	summary := fmt.Sprintf("the controller has not answered for %s though its gateway does; most of %d polls %s",
		units.Span(c.stand.stood), polls, ended(most))
	evidence := []condition.Number{
		{Name: "stood_s", Value: c.stand.stood.Seconds()},
		{Name: "failed_polls", Value: float64(polls)},
		{Name: "lost_before_ratio", Value: c.loss.rate()},
	}
	if c.unheard > 0 {
		summary = "the gateway answers for the controller, and says that it has not heard from it for " +
			f.units.Format(c.unheard, units.Time)
		evidence = append(evidence, condition.Number{Name: "heard_ago_s", Value: c.unheard})
	}
	all, answering := f.others()
	evidence = append(evidence, condition.Number{Name: "other_fans", Value: float64(all)},
		condition.Number{Name: "others_answering", Value: float64(answering)})
	return condition.Finding{Summary: summary, Evidence: evidence, Causes: c.causes(f, most, all, answering)}
}

// ended says how polls ended.
func ended(o reading.Outcome) string {
	switch o {
	case reading.Timeout:
		return "timed out"
	case reading.Refused, reading.Reset:
		return "lost their connection"
	case reading.Exception:
		return "were refused by the controller"
	case reading.UnitSilent:
		return "ended with the gateway's word that the unit is silent"
	case reading.PathUnavailable:
		return "ended with the gateway's word that it has no way to the unit"
	case reading.Garbled:
		return "came back garbled"
	case reading.Invalid:
		return "brought no value"
	}
	return "were answered for it by the gateway"
}

// causes ranks what keeps a controller silent by how its polls end, and by
// whether the others of its line are heard.
func (c *silent) causes(f *fan, o reading.Outcome, others, answering int) []condition.Cause {
	power := condition.Cause{What: "the controller has no power: breaker, disconnect or fuse",
		Check: "see from the panel schedule and the breaker whether its circuit is on; a breaker that has tripped is left off until its cause is " +
			"found, and the fan can start by itself when power returns"}
	wire := condition.Cause{What: "its bus wire is loose or cut, or a neighbour holds the line",
		Check: "see on the fleet's page whether units farther along the same line are silent too: the break lies before the first of them"}
	address := condition.Cause{What: "its unit address, baud rate or parity is not what the fleet file says",
		Check: "compare the controller's communication settings with the fleet file, above all after it was replaced or reset"}
	refused := condition.Cause{What: "the point map asks it for registers that it does not have",
		Check: "run `fanwarden points` for the fan and compare the refused addresses with the manual of this model"}
	if f.gateway.cfg.BACnet() {
		wire = condition.Cause{What: "its network is loose or cut, or the router to it is down",
			Check: "see on the fleet's page whether other devices of the same network are silent too: then it is what they share"}
		address = condition.Cause{What: "its device has another instance or network than before, or another device has taken its instance",
			Check: "run `fanwarden points --discover --gateway " + string(f.gateway.cfg.ID) + "` and compare, above all after it was replaced or reset"}
		refused = condition.Cause{What: "the point map asks it for objects that it does not have",
			Check: "run `fanwarden points` for the fan: the objects that are refused stand there with the reason"}
	}
	path := condition.Cause{What: "the gateway has no route to this unit",
		Check: "look in the gateway's own page for the unit's port and range of addresses"}
	switch o {
	case reading.Exception:
		return likeliest(supported(refused, true, "it answers, and refuses what it is asked"), address)
	case reading.PathUnavailable:
		return likeliest(supported(path, true, "the gateway says so itself"), address, power)
	case reading.Garbled:
		return likeliest(supported(wire, true, "something comes back, and it is garbled"), address, power)
	}
	counted := fmt.Sprintf("%d of the %d other fans of its gateway answer", answering, others)
	some := others > answering
	return likeliest(
		supported(wire, some, fmt.Sprintf("%d more of its gateway's fans do not answer either", others-answering)),
		supported(power, others > 0 && !some, "nothing comes back from it, and "+counted),
		address)
}
