package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"
)

// runCommand runs one command line in this process.
func runCommand(t *testing.T, args ...string) (status int, stdout, stderr string) {
	t.Helper()
	var out, diagnostics strings.Builder
	status = execute(context.Background(), &process{stdin: strings.NewReader(""), stdout: &out, stderr: &diagnostics}, args)
	return status, out.String(), diagnostics.String()
}

func TestCheckListsEveryPlantedFaultInOnePass(t *testing.T) {
	file := filepath.Join("testdata", "faulty.toml")
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	status, out, _ := runCommand(t, "check", "--config", file)
	if status != foundWrong {
		t.Errorf("status %d, want %d", status, foundWrong)
	}
	planted := 0
	for n, line := range strings.Split(string(text), "\n") {
		_, wanted, found := strings.Cut(line, "# fault: ")
		if !found {
			continue
		}
		planted++
		pattern := regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(file) + `:` + strconv.Itoa(n+1) + `: .*` + regexp.QuoteMeta(wanted))
		if !pattern.MatchString(out) {
			t.Errorf("line %d: no fault with %q in:\n%s", n+1, wanted, out)
		}
	}
	if planted < 10 {
		t.Errorf("only %d faults are planted", planted)
	}
	if got := strings.Count(out, file+":"); got != planted {
		t.Errorf("%d faults printed, %d planted:\n%s", got, planted, out)
	}
}
