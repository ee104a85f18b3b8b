package rules

import (
	"slices"
	"testing"

	"fanwarden/rules/condition"
)

// TestRulesAreThoseOfTheCatalogueInItsOrder holds the engine to the catalogue:
// each condition has its rule, and causes come first.
func TestRulesAreThoseOfTheCatalogueInItsOrder(t *testing.T) {
	g := newGateway()
	var have []condition.Name
	for _, rule := range g.rules() {
		have = append(have, rule.life.name)
	}
	for _, j := range newRules() {
		have = append(have, j.life.name)
	}
	var want []condition.Name
	for _, d := range condition.Catalogue() {
		want = append(want, d.Name)
	}
	if !slices.Equal(have, want) {
		t.Errorf("rules are %v, the catalogue has %v", have, want)
	}
	for i, name := range have {
		for _, cause := range explained(name) {
			either := slices.Contains(causes(cause), name) // of two that explain each other, the one found first counts
			if cause != "" && slices.Index(have, cause) >= i && !either {
				t.Errorf("%s is judged before its cause %s", name, cause)
			}
		}
	}
}

func causes(name condition.Name) []condition.Name {
	all := explained(name)
	return all[:]
}
