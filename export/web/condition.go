package web

import (
	"time"

	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// conditionAnswer is what JSON says of one condition that stands.
type conditionAnswer struct {
	Condition  string             `json:"condition"`
	Severity   string             `json:"severity"`
	Since      *time.Time         `json:"since"`  // when its evidence began
	Raised     *time.Time         `json:"raised"` // null: never raised, because it was explained from the start
	Summary    string             `json:"summary"`
	Evidence   map[string]float64 `json:"evidence"`
	Causes     []string           `json:"causes"` // the likeliest first
	Speaks     []string           `json:"speaks"` // what speaks for each cause; "" where nothing does
	Checks     []string           `json:"checks"` // the first thing to look at for each cause
	FirstCheck string             `json:"first_check,omitempty"`
	SilencedBy string             `json:"silenced_by,omitempty"`
	Incident   string             `json:"incident,omitempty"` // the id of the one that it is part of
}

// incidentAnswer is what JSON says of several fans or gateways that went wrong
// together.
type incidentAnswer struct {
	ID        string              `json:"id"`
	Condition string              `json:"condition"`
	Building  string              `json:"building"`
	Gateway   string              `json:"gateway,omitempty"`
	Fans      []reading.FanID     `json:"fans"`
	Gateways  []reading.GatewayID `json:"gateways"`
	Since     *time.Time          `json:"since"`
	Summary   string              `json:"summary"`
	Cause     string              `json:"cause"`
	Check     string              `json:"check"`
}

func describeIncidents(all []condition.Incident) []incidentAnswer {
	answers := make([]incidentAnswer, len(all))
	for i, in := range all {
		answers[i] = incidentAnswer{ID: in.ID, Condition: string(in.Condition), Building: string(in.Building), Gateway: string(in.Gateway),
			Fans: append([]reading.FanID{}, in.Fans...), Gateways: append([]reading.GatewayID{}, in.Gateways...), Since: known(in.Since),
			Summary: in.Summary, Cause: in.Cause.What, Check: in.Cause.Check}
	}
	return answers
}

// describeConditions parts what stands into what is active and what another
// condition explains.
func describeConditions(standing []condition.Standing) (active, suppressed []conditionAnswer) {
	active, suppressed = []conditionAnswer{}, []conditionAnswer{}
	for _, s := range standing {
		if a := describeCondition(s); s.SilencedBy == "" {
			active = append(active, a)
		} else {
			suppressed = append(suppressed, a)
		}
	}
	return active, suppressed
}

func describeCondition(s condition.Standing) conditionAnswer {
	a := conditionAnswer{Condition: string(s.Condition), Severity: s.Severity.String(), Since: known(s.Since),
		Raised: known(s.Raised), Summary: s.Summary, Evidence: make(map[string]float64, len(s.Evidence)),
		Causes: make([]string, len(s.Causes)), Speaks: make([]string, len(s.Causes)), Checks: make([]string, len(s.Causes)), SilencedBy: string(s.SilencedBy), Incident: s.Incident}
	for _, n := range s.Evidence {
		if n.Value-n.Value == 0 { // JSON has no NaN and no infinity
			a.Evidence[n.Name] = n.Value
		}
	}
	for i, c := range s.Causes {
		a.Causes[i], a.Speaks[i], a.Checks[i] = c.What, c.Speaks, c.Check
	}
	if len(a.Checks) > 0 {
		a.FirstCheck = a.Checks[0]
	}
	return a
}
