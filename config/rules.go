package config

import (
	"fmt"

	"fanwarden/rules/condition"
)

// rules lays what a [rules] table says over settings. Where a fan is given the
// table is that fan's own, in which gateways' conditions have no place.
func (a *assembly) rules(settings condition.Settings, t *table, fan *Fan) {
	if t == nil {
		return
	}
	section, prefix := "[rules]", ""
	if fan != nil {
		section, prefix = "[fans.rules]", t.name+": "
	}
	t.as(section, t.name)
	for _, d := range condition.Catalogue() {
		t.asked = append(t.asked, string(d.Name))
		below := t.entries[string(d.Name)]
		if below == nil {
			continue
		}
		rule := t.sub(string(d.Name))
		if rule == nil {
			continue
		}
		if fan != nil && d.Scope == condition.OfGateway {
			t.fault(string(d.Name), fmt.Sprintf("%s is judged of gateways, not of fans", d.Name),
				fmt.Sprintf("set it for the fleet, in [rules.%s]", d.Name))
			continue
		}
		rule.as("[rules."+string(d.Name)+"]", fmt.Sprintf("%srule %s", prefix, d.Name))
		a.overrideGiven = a.overrideGiven || fan == nil && d.Name == condition.OverrideLeftOn && rule.has(condition.OverrideAtMost)
		settings[d.Name] = readSetting(rule, settings[d.Name], d)
	}
	t.finish()
}

// rulesOf returns the fleet's settings for the fans of a duty: where the file
// does not say how long an override may stand, the duty does.
func (a *assembly) rulesOf(duty Duty) condition.Settings {
	longest, shorter := overrideAtMost(duty)
	if !shorter || a.overrideGiven {
		return a.fleet.Rules
	}
	if a.dutyRules[duty] == nil {
		rules := a.fleet.Rules.Clone()
		rules[condition.OverrideLeftOn].Own[condition.OverrideAtMost] = longest.Seconds()
		a.dutyRules[duty] = rules
	}
	return a.dutyRules[duty]
}

// readSetting lays a rule's table over a setting.
func readSetting(t *table, s condition.Setting, d condition.Definition) condition.Setting {
	s.Enabled = t.boolean("enabled", s.Enabled)
	s.Hold = t.duration("hold", s.Hold, 0)
	severity := t.choice("severity", s.Severity.String(), "page", "ticket", "note")
	if found, ok := condition.FindSeverity(severity); ok {
		s.Severity = found
	}
	for _, p := range d.Own {
		value, ok := t.quantity(p.Key, p.Dimension)
		if ok && value < 0 {
			t.fault(p.Key, fmt.Sprintf("%q is below zero", p.Key), "write a value that is not negative")
		} else if ok {
			s.Own[p.Key] = value
		}
	}
	t.finish()
	return s
}
