package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"fanwarden/rules/condition"
)

const (
	rulesFile   = "fanwarden.rules.yml"
	rulesTests  = "fanwarden.rules.test.yml"
	runbookBase = "https://runbooks.example/"
)

var (
	alertLine   = regexp.MustCompile(`(?m)^ +- alert: (\S+)$`)
	metricName  = regexp.MustCompile(`\bfanwarden_[a-z_]+\b`)
	runbookLine = regexp.MustCompile(`(?m)^ +runbook_url: (\S+)$`)
	ruleGroup   = regexp.MustCompile(`(?m)^  - name: (fanwarden_[a-z]+)$`)
)

// group1 returns what the expression's group holds at each match.
func group1(exp *regexp.Regexp, text string) []string {
	var all []string
	for _, m := range exp.FindAllStringSubmatch(text, -1) {
		all = append(all, m[1])
	}
	return all
}

// passes runs those of the tests that look for an alert, by other rules.
func passes(t *testing.T, rules, alert string) bool {
	t.Helper()
	promtool := tool(t, "promtool", "prometheus")
	const block = "  - name: "
	head, tests, _ := strings.Cut(read(t, rulesTests), block)
	kept := 0
	for one := range strings.SplitSeq(tests, block) {
		if strings.Contains(one, "alertname: "+alert+"\n") {
			head += block + one
			kept++
		}
	}
	if kept == 0 {
		t.Fatalf("no test looks for %s", alert)
	}
	dir := t.TempDir()
	write(t, filepath.Join(dir, rulesFile), rules)
	write(t, filepath.Join(dir, rulesTests), head)
	test := exec.Command(promtool, "test", "rules", rulesTests)
	test.Dir = dir
	return test.Run() == nil
}

func TestRules(t *testing.T) {
	promtool := tool(t, "promtool", "prometheus")
	if out, err := exec.Command(promtool, "check", "rules", rulesFile).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if out, err := exec.Command(promtool, "test", "rules", rulesTests).CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// Each alert is seen to fire and to be silent, and a rule that never fires, or
// always does, is noticed.
func TestEveryAlertIsTested(t *testing.T) {
	tests := read(t, rulesTests)
	names := group1(alertLine, read(t, rulesFile))
	for i, name := range names {
		if slices.Contains(names[:i], name) {
			t.Errorf("two alerts are called %s", name)
		}
		if !regexp.MustCompile(`alertname: ` + name + `\n +exp_alerts:\n +- exp_labels`).MatchString(tests) {
			t.Errorf("no test sees %s fire", name)
		}
		if !strings.Contains(tests, "alertname: "+name+"\n        exp_alerts: []") {
			t.Errorf("no test sees %s silent", name)
		}
	}
}

func TestRuleTestsNoticeWhatIsWrong(t *testing.T) {
	rules := read(t, rulesFile)
	for name, c := range map[string]struct{ alert, old, now string }{
		"a note is told":    {"FanHunting", `condition="hunting",severity=~"page|ticket"`, `condition="hunting"`},
		"another condition": {"FanMovesNoAir", `condition="no_effect"`, `condition="no_effects"`},
		"what does not stand": {"FanCannotReachSetpoint", `condition="pinned_at_max",severity=~"page|ticket"} == 1`,
			`condition="pinned_at_max",severity=~"page|ticket"}`},
		"a gateway's fans are told": {"FanReadingsOld", `unless on (building, gateway) (fanwarden_gateway_up == 0)`, ``},
		"a store that works":        {"FanwardenStoreDown", `fanwarden_store_up == 0`, `fanwarden_store_up == 1`},
		"messages that come and go": {"FanwardenMessagesWaiting", `min_over_time(fanwarden_notifications_pending[15m])`,
			`max_over_time(fanwarden_notifications_pending[15m])`},
		"a daemon that is not there": {"FanwardenAbsent", `absent(up{job="fanwarden"})`, `up{job="fanwarden"} == 0`},
		"no hold over a gap":         {"FanShortCycling", `keep_firing_for: 5m`, `keep_firing_for: 1m`},
	} {
		if !strings.Contains(rules, c.old) {
			t.Errorf("%s: the rules do not hold %s", name, c.old)
			continue
		}
		if !passes(t, rules, c.alert) {
			t.Errorf("%s: the tests of %s do not pass as it is", name, c.alert)
		}
		if passes(t, strings.ReplaceAll(rules, c.old, c.now), c.alert) {
			t.Errorf("%s: not noticed", name)
		}
	}
}

// The exporter's own list is the measure of what can be asked.
func TestEveryMetricNamedIsExported(t *testing.T) {
	exported := regexp.MustCompile(`"(fanwarden_[a-z_]+)"`)
	families := group1(exported, read(t, filepath.Join(root, "export", "metrics", "families.go")))
	if len(families) < 20 {
		t.Fatalf("only %d metrics found: %v", len(families), families)
	}
	for _, file := range []string{rulesFile, rulesTests} {
		text := read(t, file)
		groups := group1(ruleGroup, text)
		for _, name := range metricName.FindAllString(text, -1) {
			if !slices.Contains(families, name) && !slices.Contains(groups, name) {
				t.Errorf("%s: nothing exports %s", file, name)
			}
		}
	}
}

func TestEveryConditionHasAnAlertAndItsRunbook(t *testing.T) {
	rules := read(t, rulesFile)
	for _, c := range condition.Catalogue() {
		_, of, found := strings.Cut(rules, `condition="`+string(c.Name)+`",severity=~"page|ticket"`)
		if !found {
			t.Errorf("no alert tells %s", c.Name)
			continue
		}
		if got := group1(runbookLine, of); len(got) == 0 || got[0] != runbookBase+string(c.Name)+".md" {
			t.Errorf("%s: the alert leads to %v", c.Name, got)
		}
	}
}

func TestEveryRunbookURLLeadsToAFile(t *testing.T) {
	rules := read(t, rulesFile)
	urls := group1(runbookLine, rules)
	if alerts := group1(alertLine, rules); len(urls) != len(alerts) {
		t.Errorf("%d alerts, %d runbook urls", len(alerts), len(urls))
	}
	for _, url := range urls {
		page, ok := strings.CutPrefix(url, runbookBase)
		if !ok {
			t.Errorf("%s is not below %s, which is what the owner replaces", url, runbookBase)
		}
		if _, err := os.Stat(filepath.Join("runbooks", page)); err != nil {
			t.Errorf("%s: %v", url, err)
		}
	}
}
