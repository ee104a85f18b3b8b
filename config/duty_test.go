package config

import (
	"testing"
	"time"

	"fanwarden/rules/condition"
)

const dutyHead = `
[pointmaps.m]
points.pressure = {table = "input", address = 0, type = "int16", unit = "Pa"}
points.speed = {table = "input", address = 1, type = "uint16", scale = 0.1, unit = "%"}
[[buildings]]
id = "alder"
[[gateways]]
id = "roof"
building = "alder"
url = "tcp://192.0.2.20"
`

func TestHowLongAnOverrideMayStandGoesByDuty(t *testing.T) {
	const head = dutyHead
	fan := func(id, duty, more string) string {
		return "[[fans]]\nid = \"" + id + "\"\ngateway = \"roof\"\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\nduty = \"" +
			duty + "\"\n" + more
	}
	own := "[fans.rules.override_left_on]\noverride_at_most = \"2h\"\n"
	for name, c := range map[string]struct {
		file string
		want time.Duration
	}{
		"a bath":                        {head + fan("a", "bath", ""), 24 * time.Hour},
		"a kitchen":                     {head + fan("a", "kitchen", ""), 12 * time.Hour},
		"smoke control":                 {head + fan("a", "smoke_control", ""), 4 * time.Hour},
		"the fan's own":                 {head + fan("a", "kitchen", own), 2 * time.Hour},
		"the fleet's, of a kitchen too": {"[rules.override_left_on]\noverride_at_most = \"24h\"\n" + head + fan("a", "kitchen", ""), 24 * time.Hour},
		"a hold of the fleet's alone":   {"[rules.override_left_on]\nhold = \"1h\"\n" + head + fan("a", "kitchen", ""), 12 * time.Hour},
	} {
		fleet, faults := Parse("fleet.toml", []byte(c.file), nil)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", name, faults)
		}
		if got := fleet.Fans[0].Rules[condition.OverrideLeftOn].OwnDuration(condition.OverrideAtMost); got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
	}
}

// What pages goes by what the fan protects, and the fleet file has the last word.
func TestWhatPagesGoesByDuty(t *testing.T) {
	fan := func(more string) string {
		return "[[fans]]\nid = \"a\"\ngateway = \"roof\"\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n" + more
	}
	for name, c := range map[string]struct {
		file string
		want condition.Severity
	}{
		"a bath":           {dutyHead + fan("duty = \"bath\"\n"), condition.Ticket},
		"unknown":          {dutyHead + fan(""), condition.Ticket},
		"a garage":         {dutyHead + fan("duty = \"garage\"\n"), condition.Page},
		"a laboratory":     {dutyHead + fan("duty = \"laboratory\"\n"), condition.Page},
		"life safety":      {dutyHead + fan("duty = \"general\"\nlife_safety = true\n"), condition.Page},
		"the fleet's word": {"[rules.pinned_at_max]\nseverity = \"ticket\"\n" + dutyHead + fan("duty = \"garage\"\n"), condition.Ticket},
		"the fan's word":   {dutyHead + fan("duty = \"garage\"\n[fans.rules.pinned_at_max]\nseverity = \"note\"\n"), condition.Note},
		"a hold leaves it": {"[rules.pinned_at_max]\nhold = \"9m\"\n" + dutyHead + fan("duty = \"garage\"\n"), condition.Page},
	} {
		fleet, faults := Parse("fleet.toml", []byte(c.file), nil)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", name, faults)
		}
		rules := fleet.Fans[0].Rules
		if got := rules[condition.PinnedAtMax].Severity; got != c.want {
			t.Errorf("%s: %s, want %s", name, got, c.want)
		}
		if rules[condition.Hunting].Severity != condition.Ticket || fleet.Rules[condition.PinnedAtMax].Severity == condition.Page {
			t.Errorf("%s: what the duty makes urgent is the others' too", name)
		}
	}
}
