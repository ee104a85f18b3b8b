package rules

import (
	"strconv"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// shadow reports whether the swings are faster than polling can follow.
func (h *hunting) shadow() bool { return h.period.Seconds() < resolved*h.beat }

func (h *hunting) finding(f *fan, s *sample) condition.Finding {
	beat := time.Duration(h.beat * float64(time.Second)).Round(time.Second)
	summary := "swings by " + f.show(h.byValue) + " and " + points(h.bySpeed) + " of speed every " + units.Span(h.period.Round(time.Second)) +
		", " + strconv.Itoa(h.cycles) + " cycles without settling, "
	if h.shadow() {
		summary += "or faster: polls every " + units.Span(beat) + " cannot resolve it"
	} else {
		summary += "around a setpoint of " + f.show(s.setpoint)
	}
	return condition.Finding{Summary: summary,
		Evidence: []condition.Number{
			{Name: "period_s", Value: h.period.Seconds()}, {Name: "cycles", Value: float64(h.cycles)},
			{Name: f.key("swing"), Value: h.byValue}, {Name: "swing_speed", Value: h.bySpeed},
			{Name: "least_speed", Value: h.low}, {Name: "most_speed", Value: h.high},
			{Name: f.key("setpoint"), Value: s.setpoint}, {Name: f.key("tolerance"), Value: s.tolerance}},
		Causes: h.causes(f)}
}

// causes ranks what makes a loop swing by how it swings: from limit to limit
// it has far too much gain, slowly it integrates too fast or is held up, and
// where other fans share the riser they may push each other.
func (h *hunting) causes(f *fan) []condition.Cause {
	gain := condition.Cause{What: "the controller responds too fast for this riser: its gain is too high",
		Check: "compare gain, integral time and speed of response with the papers of the handover, and ask who changed them last"}
	integral := condition.Cause{What: "the controller integrates faster than fan and riser can follow, or its ramp is slower than its integral",
		Check: "see on its trend whether the speed runs ahead of the reading by about a quarter of a period; then compare the integral " +
			"time with the papers of the handover"}
	late := condition.Cause{What: "the reading comes late: a long, kinked or wet tube, or a filter in the sensor",
		Check: "see on its trend how long the reading takes to follow a start; a damped sensor wants a slower controller"}
	other := condition.Cause{What: "something else swings and takes the pressure with it: a damper, a make-up unit, another fan's loop",
		Check: "compare the trends of the other fans of the building over the same half hour"}
	partners := condition.Cause{What: "fans of the same riser push each other: each controls the pressure that all share",
		Check: "see on the trend whether its partners swing against it; one of them should lead"}
	period := units.Span(h.period.Round(time.Second))
	var causes []condition.Cause
	switch bang := h.low <= f.cfg.MinSpeed+atLimit && h.high >= f.cfg.MaxSpeed-atLimit; {
	case h.bySpeed < 2*speedSwings:
		causes = likeliest(supported(other, true, "the reading swings by "+f.show(h.byValue)+" while the speed moves by only "+points(h.bySpeed)), late, gain)
	case bang:
		causes = likeliest(supported(gain, true, "the speed swings from limit to limit, between "+f.percent(h.low)+" and "+f.percent(h.high)),
			integral, late, other)
	case h.shadow():
		causes = likeliest(supported(gain, true, "the speed moves by "+points(h.bySpeed)+" in each swing"), integral, late, other)
	case h.period >= 2*time.Minute:
		causes = likeliest(supported(integral, true, "one swing takes "+period+", which is slow for a fan"), late, gain, other)
	default:
		causes = likeliest(supported(gain, true, "one swing takes only "+period+", and the speed moves by "+points(h.bySpeed)+" in it"), integral, late, other)
	}
	if len(f.partners) == 0 || f.cfg.Role == config.Standby {
		return causes
	}
	if swing := f.swingingPartners(); swing != "" {
		partners.Speaks = swing
		return append([]condition.Cause{partners}, causes...)
	}
	return append(causes[:1:1], append([]condition.Cause{partners}, causes[1:]...)...)
}

// swingingPartners says which fans of the same riser hunt too.
func (f *fan) swingingPartners() string {
	var all []string
	for _, p := range f.partners {
		if p.active(condition.Hunting) {
			all = append(all, string(p.cfg.ID))
		}
	}
	if len(all) == 0 {
		return ""
	}
	return "these fans of the same riser hunt too: " + strings.Join(all, ", ")
}

// points writes a difference of speeds.
func points(speed float64) string {
	n := strconv.FormatFloat(100*speed, 'f', 0, 64)
	if n == "1" {
		return "1 point"
	}
	return n + " points"
}
