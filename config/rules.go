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
		if fan == nil {
			for key := range rule.entries {
				a.given[given{d.Name, key}] = true
			}
		}
		settings[d.Name] = readSetting(rule, settings[d.Name], d)
	}
	t.finish()
}

// guarded says whose rules go by what a fan is for.
type guarded struct {
	duty       Duty
	lifeSafety bool
}

// rulesOf returns the fleet's settings for the fans of a duty. Where the file
// does not say how long an override may stand, or what a condition asks of
// people, the duty does.
func (a *assembly) rulesOf(f *Fan) condition.Settings {
	of := guarded{f.Duty, f.LifeSafety}
	longest, shorter := overrideAtMost(f.Duty)
	if !shorter && !pages(of) {
		return a.fleet.Rules
	}
	if rules := a.guardedRules[of]; rules != nil {
		return rules
	}
	rules := a.fleet.Rules.Clone()
	if shorter && !a.given[given{condition.OverrideLeftOn, condition.OverrideAtMost}] {
		rules[condition.OverrideLeftOn].Own[condition.OverrideAtMost] = longest.Seconds()
	}
	for _, name := range unprotected() {
		if s := rules[name]; pages(of) && !a.given[given{name, "severity"}] {
			s.Severity = condition.Page
			rules[name] = s
		}
	}
	a.guardedRules[of] = rules
	return rules
}

// given is a key of a condition that the fleet's [rules] give.
type given struct {
	name condition.Name
	key  string
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
