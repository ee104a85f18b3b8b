package web

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"fanwarden/export/report"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// What of a month needs a person. (Engineering choices.)
const (
	offShare   = 0.25      // of the time by its own control, off setpoint
	offLeast   = time.Hour // and at least
	thinShare  = 0.9       // of the time since readings are kept, recorded
	fullShare  = 0.995     // likewise, of what is as good as whole
	lateLeast  = time.Hour // after its begin, the first reading of a month
	mostListed = 5         // of one kind
)

// attention is something that needs a person, in one sentence.
type attention struct {
	Severity string // of the condition; note where it is none
	Says     string
}

// needs lists what needs a person, the most urgent first.
func (m *made) needs() []attention {
	all := m.standing()
	all = append(all, m.off()...)
	all = append(all, m.creepers()...)
	all = append(all, m.thin()...)
	all = append(all, m.left()...)
	slices.SortStableFunc(all, func(a, b attention) int {
		return slices.Index(severityNames, b.Severity) - slices.Index(severityNames, a.Severity)
	})
	return all
}

// standing tells of what stands at the end: one by one of what nobody has
// acknowledged, and together of the rest.
func (m *made) standing() (all []attention) {
	known, more := 0, 0
	for i := range m.Conditions {
		switch c := &m.Conditions[i]; {
		case c.Condition == condition.CreepingLoad: // creepers tells of it
		case c.Stands && c.Known:
			known++
		case c.Stands && len(all) == mostListed:
			more++
		case c.Stands:
			all = append(all, attention{c.Severity.String(), fmt.Sprintf("%s: %s, %s, not acknowledged.", m.nameOf(c.Fan, c.Gateway),
				words(string(c.Condition)), fmt.Sprintf(m.then("%s so far", "%s, and stood at the month's end"), units.Span(c.Stood)))})
		}
	}
	if more > 0 {
		all = append(all, attention{condition.Note.String(), fmt.Sprintf("%s that nobody has acknowledged; see below.",
			numbered(more, "more condition "+m.then("stands", "stood"), "more conditions "+m.then("stand", "stood")))})
	}
	if known > 0 {
		all = append(all, attention{condition.Note.String(), numbered(known,
			"condition "+m.then("stands", "stood")+" that somebody has acknowledged.", "conditions "+m.then("stand", "stood")+" that somebody has acknowledged.")})
	}
	return all
}

// then chooses the words for a month that goes on, or for one that is over.
func (m *made) then(now, over string) string {
	if m.Whole {
		return over
	}
	return now
}

// off tells of fans that were long off setpoint.
func (m *made) off() []attention {
	var fans []string
	for i := range m.Fans {
		f := &m.Fans[i]
		if part := f.OffSetpoint.Seconds() / (f.AtSetpoint + f.OffSetpoint).Seconds(); f.OffSetpoint >= offLeast && part > offShare {
			fans = append(fans, fmt.Sprintf("%s (%s, %s)", clean(f.Fan.Name), percent(part), hours(f.OffSetpoint)+" h"))
		}
	}
	return together(fans, condition.Ticket, "was off setpoint for more than a quarter of the time that it ran by its own control",
		"were off setpoint for more than a quarter of the time that they ran by their own control")
}

// creepers tells whose load creeps.
func (m *made) creepers() []attention {
	var fans []string
	for _, c := range m.Creeping {
		if c.Stands {
			fans = append(fans, m.nameOf(c.Fan, ""))
		}
	}
	return together(fans, condition.Note, "needs more and more speed for the same duty", "need more and more speed for the same duty")
}

// thin tells of what is not recorded, since readings are kept at all.
func (m *made) thin() (all []attention) {
	if m.First.IsZero() {
		return []attention{{condition.Ticket.String(), "No reading of this month is kept: nothing can be said of its hours."}}
	}
	if m.late() > lateLeast {
		all = append(all, attention{condition.Note.String(), fmt.Sprintf("Readings are kept only from %s on: nothing is known of the %s before.",
			m.clock(m.First), units.Span(m.late()))})
	}
	var fans []string
	for i := range m.Fans {
		if f := &m.Fans[i]; m.share(f) < thinShare {
			fans = append(fans, fmt.Sprintf("%s (%s)", clean(f.Fan.Name), percent(m.share(f))))
		}
	}
	return append(all, together(fans, condition.Ticket, "was recorded for less than nine tenths of the time", "were recorded for less than nine tenths of the time")...)
}

// left names fans that had alarms in the month and are not in the fleet file any more:
// what they ought to have done is not known, so their hours are not counted.
func (m *made) left() []attention {
	var fans []string
	for i := range m.Conditions {
		id := m.Conditions[i].Fan
		known := id == "" || slices.ContainsFunc(m.Fans, func(f report.Fan) bool { return f.Fan.ID == id })
		if name := clean(string(id)); !known && !slices.Contains(fans, name) {
			fans = append(fans, name)
		}
	}
	return together(fans, condition.Note, "had alarms, is not in the fleet file any more, and its hours are not counted",
		"had alarms, are not in the fleet file any more, and their hours are not counted")
}

// late is how long after the month's begin the first reading is.
func (m *made) late() time.Duration {
	if m.First.IsZero() {
		return 0
	}
	return m.First.Sub(m.From)
}

// share is how much of a fan is recorded, of the time since readings are kept.
func (m *made) share(f *report.Fan) float64 {
	return f.Recorded.Seconds() / m.To.Sub(m.First).Seconds()
}

// together makes one sentence of what is alike, with the first few by name.
func together(fans []string, severity condition.Severity, one, several string) []attention {
	if len(fans) == 0 {
		return nil
	}
	more := ""
	if len(fans) > mostListed {
		more = fmt.Sprintf(" and %d more", len(fans)-mostListed)
	}
	return []attention{{severity.String(), fmt.Sprintf("%s: %s%s.", numbered(len(fans), "fan "+one, "fans "+several),
		strings.Join(fans[:min(len(fans), mostListed)], ", "), more)}}
}

// nameOf is what people call a fan, or a gateway by its id.
func (m *made) nameOf(fan reading.FanID, gateway reading.GatewayID) string {
	if fan == "" {
		return "gateway " + clean(string(gateway))
	}
	for i := range m.Fans {
		if m.Fans[i].Fan.ID == fan {
			return clean(m.Fans[i].Fan.Name)
		}
	}
	return clean(string(fan)) // it has left the fleet
}

// method is how something was counted.
type method struct{ Of, Says string }

// The methods, by their place.
const (
	methodHours = iota + 1
	methodSetpoint
	methodStarts
	methodConditions
	methodCreep
	methodEnergy
)

func (m *made) methods() []method {
	within := m.snapshot.Fleet.Units.Format(5, units.Pressure)
	return []method{
		{"Hours", "A reading stands for the time until the next one, and no longer than its gateway's stale_after" + m.staleAfter() +
			". What no reading stands for is not recorded and counts as nothing else; nothing is filled in or scaled up. Fans and their settings are those of the fleet file as it was when this was made."},
		{"Setpoint", "At setpoint is within the largest of 15 % of setpoint, " + within + " (an airflow: 5 % of it) and two counts of the point. The setpoint is what the controller says, or what the fleet file says where the controller is not asked. Only the time is divided in which the fan ran by its own control; at top and at lowest speed, within 2 points of the fan's limits, are parts of it."},
		{"Mean speed and starts", "The mean speed is of the time in which the fan ran, forced or not. A start is a fan that was seen at rest and then, without a gap, running; starts while nothing was recorded are not known."},
		{"Conditions", "From the journal of the alarms. What began before the month counts from its first instant; what stands counts until the end of the report. The time to acknowledge runs from the raise until somebody said that they know, of those that were acknowledged within the month."},
		{"Creeping load", "The speed of like hours against the fan's own first two weeks, less what the other fans of the building need more (season). By cumulative sum and weighted mean: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 and 6.3.2.4."},
		{"Energy", "Measured: the watts of a power point, added up over the hours in which it was read. Estimated: rated power times two part-load curves, with the share of full speed taken for the share of full flow, added up over the recorded hours: ASHRAE 90.1, table G3.1.3.15, and static pressure held constant (\"no reset\"), CEC 2003, Advanced Variable Air Volume System Design Guide, appendix 5. The range goes, at every instant, from the lower of the two to the higher; a fan at rest takes nothing. The cube of the speed is not used: at half flow it says less than half of what a fan that holds a constant pressure takes. Nothing here is a saving, and nothing covers the hours that are not recorded."},
		{"What this is not", "A record of what the controllers said, and no proof of compliance: local codes and licensed practice decide."},
	}
}

// staleAfter writes how long a reading stands at most, where all gateways agree.
func (m *made) staleAfter() string {
	var all time.Duration
	for i := range m.Fans {
		stale := m.Fans[i].Fan.Gateway.StaleAfter
		if all != 0 && all != stale {
			return ""
		}
		all = stale
	}
	if all == 0 {
		return ""
	}
	return " (" + units.Span(all) + ")"
}

// clock writes a time in the site's zone.
func (m *made) clock(t time.Time) string { return t.In(m.zone).Format("Mon 2 Jan 2006 15:04 MST") }

// hours writes a length of time in hours, to a tenth.
func hours(d time.Duration) string {
	switch h := d.Hours(); {
	case h <= 0:
		return "0"
	case h < 0.05:
		return "<0.1"
	default:
		return fmt.Sprintf("%.1f", h)
	}
}

// percent writes a share, but never 0 or 100 % where it is only nearly so.
func percent(part float64) string {
	switch {
	case part > 0 && part < 0.001:
		return "<0.1 %"
	case part < 1 && part > 0.999:
		return ">99.9 %"
	case part == 0 || part == 1:
		return fmt.Sprintf("%.0f %%", 100*part)
	}
	return fmt.Sprintf("%.1f %%", 100*part)
}

// numbered writes a number with what it counts.
func numbered(n int, one, several string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, several)
}
