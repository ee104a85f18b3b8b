package main

import (
	"encoding/json"
	"errors"
	"io"
	"os"
	"os/exec"
	"path"
	"slices"
	"strings"
	"testing"
)

// rooms says which packages of this project each package may import in code
// that is shipped; the same table, with the reasons, is in DEVELOPERS.md. A
// room's internal packages belong to the room.
var rooms = map[string][]string{
	"poller/units":     {},
	"poller/reading":   {"poller/units"},
	"poller/decode":    {"poller/reading", "poller/units"},
	"rules/condition":  {"poller/reading", "poller/units"},
	"config":           {"poller/bacnet", "poller/decode", "poller/reading", "poller/units", "rules/condition"},
	"poller":           {"config", "poller/bacnet", "poller/decode", "poller/reading", "poller/units"},
	"poller/modbus":    {"poller/decode", "poller/reading"},
	"poller/bacnet":    {"poller/reading"},
	"poller/recording": {"poller/reading"},
	"poller/field":     {"config", "poller/bacnet", "poller/decode", "poller/reading", "poller/units", "rules/condition"},
	"rules":            {"config", "poller/decode", "poller/reading", "poller/units", "rules/condition"},
	"rules/alarm":      {"poller/reading", "rules/condition"},
	"rules/turnover":   {"config", "poller/bacnet", "poller/decode", "poller/reading", "poller/units", "rules/condition"},
	"rules/journal":    {"poller/reading", "rules/alarm", "rules/condition"},
	"export":           {"config", "poller/decode", "poller/reading", "poller/units", "rules/alarm", "rules/condition"},
	"export/history":   {"config", "export", "poller/reading", "poller/recording", "rules/condition"},
	"export/metrics":   {"config", "export", "poller/reading", "poller/units", "rules/alarm", "rules/condition"},
	"export/report":    {"config", "poller/reading", "rules/alarm", "rules/condition"},
	"export/web":       {"config", "export", "export/report", "poller/reading", "poller/units", "rules/alarm", "rules/condition", "rules/turnover"},
	"export/notify":    {"config", "poller/reading", "rules/alarm", "rules/condition", "rules/journal"},
	"deploy":           {},
}

// onlyIn says which package alone may know a library or a part of the standard
// library, and why.
var onlyIn = map[string]struct{ room, why string }{
	"github.com/simonvetter/modbus":            {"poller/modbus", "its faults are answered in one place"},
	"github.com/goburrow/serial":               {"poller/modbus", "its faults are answered in one place"},
	"github.com/BurntSushi/toml":               {"config", "files are parsed in one place"},
	"github.com/pelletier/go-toml/v2/unstable": {"config", "files are parsed in one place"},
	"github.com/prometheus/client_golang/":     {"export/metrics", "metrics leave in one place"},
	"github.com/prometheus/client_model/":      {"export/metrics", "metrics leave in one place"},
	"go.etcd.io/bbolt":                         {"rules/journal", "what is kept lies in one file"},
	"github.com/prometheus/prometheus/":        {"export/history", "readings are kept in one place"},
	"github.com/wneessen/go-mail":              {"export/notify", "mail leaves in one place"},
	"golang.org/x/crypto/bcrypt":               {"export/web", "passwords are checked in one place"},
	"net/http":                                 {"export/", "the field and the rules know no web"},
}

// pure lists the packages that know no clock, no network and no goroutine.
var pure = []string{"export/report", "rules", "rules/alarm", "rules/condition", "poller/reading", "poller/units", "poller/decode"}

// listed is what `go list` says of a package.
type listed struct {
	ImportPath                                  string
	Imports, GoFiles, TestGoFiles, XTestGoFiles []string
}

func packages(t *testing.T) []listed {
	t.Helper()
	cmd := exec.Command("go", "list", "-json=ImportPath,Imports,GoFiles", "fanwarden/...")
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	var all []listed
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p listed
		if err := d.Decode(&p); errors.Is(err, io.EOF) {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

// room returns the room that a package of this project belongs to.
func room(importPath string) string {
	name := strings.TrimPrefix(strings.TrimPrefix(importPath, "fanwarden"), "/")
	before, _, _ := strings.Cut(name, "/internal/")
	return before
}

func TestWhoMayKnowWhom(t *testing.T) {
	for _, p := range packages(t) {
		if len(p.GoFiles) == 0 {
			continue // tests only
		}
		here := room(p.ImportPath)
		allowed, known := rooms[here]
		if !known && !strings.HasPrefix(here, "cmd/") {
			t.Errorf("%s is not in the table of rooms: enter it here and in DEVELOPERS.md, with what it may import", here)
		}
		if strings.HasSuffix(p.ImportPath, "/internal/daemon") && slices.Contains(p.Imports, "fanwarden/poller/field") {
			t.Error("the daemon imports poller/field: what watches a real field knows no simulated one")
		}
		for _, i := range p.Imports {
			checkImport(t, here, allowed, i)
		}
	}
}

func checkImport(t *testing.T, here string, allowed []string, imported string) {
	t.Helper()
	if strings.HasPrefix(imported, "fanwarden") {
		there := room(imported)
		if there != here && !strings.HasPrefix(here, "cmd/") && !slices.Contains(allowed, there) {
			t.Errorf("%s imports %s; it may import only %v", here, there, allowed)
		}
		return
	}
	for prefix, rule := range onlyIn {
		if strings.HasPrefix(imported, prefix) && !strings.HasPrefix(here, "cmd/") && !strings.HasPrefix(here+"/", rule.room) {
			t.Errorf("%s imports %s, which belongs to %s only: %s", here, imported, rule.room, rule.why)
		}
	}
	if slices.Contains(pure, here) && (imported == "net" || imported == "os" || imported == "sync" || strings.HasPrefix(imported, "net/")) {
		t.Errorf("%s imports %s: it knows no network, file or goroutine", here, imported)
	}
}

func TestTheRulesReadNoClockAndStartNoGoroutine(t *testing.T) {
	for _, p := range packages(t) {
		if !slices.Contains(pure, room(p.ImportPath)) {
			continue
		}
		for _, file := range p.GoFiles {
			folder := strings.TrimPrefix(p.ImportPath, "fanwarden/")
			for n, line := range codeLines(t, path.Join("../..", folder, file)) {
				for _, banned := range []string{"time.Now(", "time.Since(", "time.Until(", "time.After(", "go func"} {
					if strings.Contains(line, banned) {
						t.Errorf("%s/%s:%d has %s: time is a parameter here", folder, file, n+1, banned)
					}
				}
			}
		}
	}
}

func TestOnlyTheAgreedNamesStandAtTheTop(t *testing.T) {
	agreed := strings.Fields("cmd poller rules export config deploy testdata go.mod go.sum README.md DEVELOPERS.md Dockerfile LICENSE")
	out, err := exec.Command("git", "ls-files", ":/").Output()
	missing(t, "a git checkout, for the list of its files,", err)
	for _, file := range strings.Fields(string(out)) {
		top, _, _ := strings.Cut(strings.TrimPrefix(file, "../../"), "/")
		if !strings.Contains(file, "../../") { // below this folder
			continue
		}
		if !strings.HasPrefix(top, ".") && !slices.Contains(agreed, top) {
			t.Errorf("%s stands at the top; move it into one of %v", top, agreed)
		}
	}
}

func codeLines(t *testing.T, file string) []string {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(string(text), "\n")
	for i, line := range lines {
		lines[i], _, _ = strings.Cut(line, "//")
	}
	return lines
}
