package deploy_test

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"fanwarden/rules/condition"
)

// chapters are what a runbook has, in this order. The roof is left out where
// nobody need go there.
var chapters = []string{"## What it means", "## From a desk", "## On the roof", "## Careful", "## Write down", "## Call"}

func TestEveryConditionHasARunbook(t *testing.T) {
	known := map[string]bool{"fanwarden.md": true} // of the alarms of the daemon itself
	checkRunbook(t, "fanwarden.md", "fanwarden")
	for _, c := range condition.Catalogue() {
		page := string(c.Name) + ".md"
		known[page] = true
		checkRunbook(t, page, string(c.Name))
	}
	entries, err := os.ReadDir("runbooks")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if !known[e.Name()] {
			t.Errorf("%s is the runbook of nothing", e.Name())
		}
	}
}

// checkRunbook holds a page against what somebody needs at night on a phone:
// its first lines tell whether it can wait until morning, and its cautions are
// there.
func checkRunbook(t *testing.T, page, about string) {
	t.Helper()
	text := read(t, filepath.Join("runbooks", page))
	lines := strings.Split(text, "\n")
	head := strings.Join(lines[:min(3, len(lines))], "\n")
	if !strings.HasPrefix(text, "# ") || !strings.Contains(lines[0], about) {
		t.Errorf("%s: its title is %q", page, lines[0])
	}
	if !strings.Contains(head, "morning") {
		t.Errorf("%s: its first three lines do not tell whether it can wait until morning", page)
	}
	at := 0
	for _, chapter := range chapters {
		i := strings.Index(text, chapter+"\n")
		if i < 0 && chapter != "## On the roof" {
			t.Errorf("%s has no chapter %q", page, chapter)
		}
		if i >= 0 && i < at {
			t.Errorf("%s: %q stands in another place than in the others", page, chapter)
		}
		at = max(at, i)
	}
	careful := text[strings.Index(text, "## Careful"):]
	for _, word := range []string{"life-safety", "laboratory", "kitchen", "garage", "codes", "licensed", "bridge"} {
		if !strings.Contains(strings.ToLower(careful), word) {
			t.Errorf("%s: its cautions do not speak of %q", page, word)
		}
	}
	if roof := strings.Index(text, "## On the roof"); roof >= 0 {
		for _, word := range []string{"edge", "lock", "windmill", "daylight"} {
			if !strings.Contains(strings.ToLower(text[roof:]), word) {
				t.Errorf("%s sends people to the roof and does not speak of %q", page, word)
			}
		}
	}
	for i, line := range lines {
		if utf8.RuneCountInString(line) > 72 {
			t.Errorf("%s:%d is long for a phone", page, i+1)
		}
		if strings.HasPrefix(line, "|") {
			t.Errorf("%s:%d is a table", page, i+1)
		}
	}
}

// Nothing sends anybody to stop, force or bridge an exhaust to see what happens.
func TestRunbooksTellNobodyToBridgeOrForce(t *testing.T) {
	dangerous := regexp.MustCompile(`(?i)(^|[^a-z])(bridge|jumper|force|bypass|defeat)\b`)
	refused := regexp.MustCompile(`(?i)(never|nothing|do not|not )`)
	pages, err := filepath.Glob("runbooks/*.md")
	if err != nil || len(pages) == 0 {
		t.Fatal(pages, err)
	}
	for _, page := range pages {
		for i, line := range strings.Split(read(t, page), "\n") {
			if dangerous.MatchString(line) && !refused.MatchString(line) {
				t.Errorf("%s:%d: %s", page, i+1, line)
			}
		}
	}
}
