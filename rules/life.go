package rules

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// life is what became of one condition of one fan or gateway: whether its
// evidence stands, whether it was raised for it, and what explains it away.
type life struct {
	state    condition.State // the rule's last word
	stands   bool            // the evidence stands, raised or silenced
	active   bool            // raised and not cleared
	severity condition.Severity
	setting  condition.Setting `plain:"-"`
	name     condition.Name
	silenced condition.Name // by what, "" if by nothing
	since    time.Time
	raised   time.Time
	incident string // the id of the incident that it is part of, "" where it stands alone
	finding  condition.Finding
}

// verdict is what metrics show. A silenced condition shows as absent.
func (l *life) verdict(severity condition.Severity) condition.Verdict {
	v := condition.Verdict{Condition: l.name, Severity: severity, State: l.state}
	switch {
	case l.active:
		v.State, v.Severity = condition.Present, l.severity
	case l.state == condition.Present:
		v.State = condition.Absent
	}
	return v
}

// standing is what pages show of a condition that stands.
func (l *life) standing() condition.Standing {
	return condition.Standing{Condition: l.name, Severity: l.severity, Since: l.since, Raised: l.raised,
		SilencedBy: l.silenced, Incident: l.incident, Finding: l.finding}
}

// end forgets that the condition ever stood; the setting stays.
func (l *life) end() {
	state := l.state
	if state == condition.Present {
		state = condition.Absent
	}
	*l = life{name: l.name, setting: l.setting, state: state}
}

// source is the fan or gateway that a condition is of.
type source struct {
	building reading.BuildingID
	gateway  reading.GatewayID
	fan      reading.FanID
}

// raise makes l active and tells it.
func (e *Engine) raise(of source, l *life, now time.Time) {
	l.active, l.raised, l.silenced = true, now, ""
	if f := e.fans[of.fan]; f != nil {
		e.gather(f, l, now)
	} else {
		e.gatherGateways(e.gateways[of.gateway], l, now)
	}
	e.tell(of, l, now, condition.Raised, "")
}

// clear makes l inactive and tells it, if it was active.
func (e *Engine) clear(of source, l *life, now time.Time, why condition.Reason) {
	if l.active {
		l.active = false
		e.tell(of, l, now, condition.Cleared, why)
		last := &e.out[len(e.out)-1]
		last.Summary = "over after " + units.Span(max(now.Sub(l.raised), 0)) + "; it was: " + last.Summary
		l.incident = ""
	}
}

func (e *Engine) tell(of source, l *life, now time.Time, change condition.Change, why condition.Reason) {
	e.out = append(e.out, condition.Transition{Time: now, Building: of.building, Gateway: of.gateway, Fan: of.fan,
		Condition: l.name, Change: change, Reason: why, SilencedBy: l.silenced, Severity: l.severity, Incident: l.incident,
		Finding: l.finding})
}
