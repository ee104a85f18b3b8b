package metrics

import (
	dto "github.com/prometheus/client_model/go"

	"fanwarden/rules/condition"
)

// verdictSlots are the series of fanwarden_condition_active of one fan, or of
// one gateway's own conditions (then fan is nil). There is one slot for each
// place in the list of verdicts, made when the place is first used; its labels
// are only set again when another condition or severity has come to the place.
type verdictSlots struct {
	building, fan, gateway *dto.LabelPair
	slots                  []*verdictSlot
}

type verdictSlot struct {
	metric              dto.Metric
	condition, severity **dto.LabelPair // their places among the labels
}

// at returns the slot of a place.
func (v *verdictSlots) at(place int) *verdictSlot {
	for len(v.slots) <= place {
		v.slots = append(v.slots, v.make())
	}
	return v.slots[place]
}

func (v *verdictSlots) make() *verdictSlot {
	s := &verdictSlot{}
	// In the order of the names: building, condition, fan, gateway, severity.
	s.metric.Label = []*dto.LabelPair{v.building, nil, v.gateway, nil}
	if v.fan != nil {
		s.metric.Label = []*dto.LabelPair{v.building, nil, v.fan, v.gateway, nil}
	}
	s.condition, s.severity = &s.metric.Label[1], &s.metric.Label[len(s.metric.Label)-1]
	return s
}

// verdicts fills in what can be judged. A verdict that there is not yet has no
// series: 0 would claim that all is well.
func (l *layout) verdicts(v *verdictSlots, verdicts []condition.Verdict) {
	for i := range verdicts {
		verdict := &verdicts[i]
		if verdict.State == condition.CannotJudge {
			continue
		}
		s := v.at(i)
		if *s.condition == nil || (*s.condition).GetValue() != string(verdict.Condition) {
			*s.condition = l.condition(verdict.Condition)
		}
		*s.severity = l.severities[verdict.Severity]
		l.flag(conditionActive, &s.metric, verdict.State == condition.Present)
	}
}

func (l *layout) condition(name condition.Name) *dto.LabelPair {
	if l.conditions[name] == nil {
		l.conditions[name] = pair("condition", string(name))
	}
	return l.conditions[name]
}
