package condition

import (
	"strings"
	"testing"
	"time"
)

func TestCatalogueIsConsistent(t *testing.T) {
	seen := make(map[Name]bool)
	for _, d := range Catalogue() {
		if seen[d.Name] {
			t.Errorf("%s is there twice", d.Name)
		}
		seen[d.Name] = true
		if d.Meaning == "" || strings.HasSuffix(d.Meaning, ".") || !d.Default.Enabled {
			t.Errorf("%+v", d)
		}
		if found, ok := Find(d.Name); !ok || found.Meaning != d.Meaning {
			t.Errorf("%s is not found by its name", d.Name)
		}
		for _, p := range d.Own {
			if p.Key == "enabled" || p.Key == "hold" || p.Key == "severity" || p.Meaning == "" || p.Default <= 0 {
				t.Errorf("parameter %+v of %s", p, d.Name)
			}
		}
	}
	if _, ok := Find("pinned"); ok {
		t.Error("a name that is none is found")
	}
}

func TestDefaultsHaveEverySettingAndAreTheCallersOwn(t *testing.T) {
	defaults := Defaults()
	for _, d := range Catalogue() {
		s, ok := defaults[d.Name]
		if !ok || s.Own == nil || s.Hold != d.Default.Hold || len(s.Own) != len(d.Own) {
			t.Errorf("%s is set to %+v", d.Name, s)
		}
	}
	if got := defaults[StuckIdle].OwnDuration(IdleAtMost); got != 72*time.Hour {
		t.Errorf("idle_at_most is %s", got)
	}
	clone := defaults.Clone()
	clone[StuckIdle].Own[StepHold] = 1
	if defaults[StuckIdle].Own[StepHold] == 1 || Defaults()[StuckIdle].Own[StepHold] == 1 {
		t.Error("settings share their parameters")
	}
}

func TestSeveritiesAndModesHaveNames(t *testing.T) {
	for s := Note; s <= Page; s++ {
		if found, ok := FindSeverity(s.String()); !ok || found != s {
			t.Errorf("severity %s is found as %v", s, found)
		}
	}
	if _, ok := FindSeverity("panic"); ok {
		t.Error("a severity that is none is found")
	}
	seen := make(map[string]bool)
	for m := range Modes {
		name := Mode(m).String()
		if seen[name] || name == "" {
			t.Errorf("mode %d is called %q", m, name)
		}
		seen[name] = true
	}
}
