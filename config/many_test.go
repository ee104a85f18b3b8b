package config

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
)

// TestManyFaultsInOnePass plants faults all over a file and its roster, and
// expects every one at its own line.
func TestManyFaultsInOnePass(t *testing.T) {
	const file, roster = "testdata/many/fleet.toml", "testdata/many/fans.csv"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	var wanted []string
	mark := regexp.MustCompile(`# \d+: `)
	for i, line := range strings.Split(string(text), "\n") {
		if mark.MatchString(line) {
			wanted = append(wanted, fmt.Sprintf("%s:%d", file, i+1))
		}
	}
	wanted = append([]string{roster + ":4", roster + ":5"}, wanted...)
	_, faults, err := Load(file)
	if err != nil {
		t.Fatal(err)
	}
	var found []string
	for _, f := range faults {
		found = append(found, fmt.Sprintf("%s:%d", f.File, f.Line))
	}
	if strings.Join(found, "\n") != strings.Join(wanted, "\n") {
		for _, f := range faults {
			t.Log(f)
		}
		t.Errorf("found\n%s\nwanted\n%s", strings.Join(found, "\n"), strings.Join(wanted, "\n"))
	}
	if len(found) != 17 {
		t.Errorf("%d faults, 17 were planted", len(found))
	}
}

func TestLoadOfAFileThatIsNotThere(t *testing.T) {
	fleet, faults, err := Load("testdata/absent.toml")
	if fleet != nil || faults != nil || err == nil || !strings.Contains(err.Error(), "absent.toml") {
		t.Errorf("fleet %v, faults %v, error %v", fleet, faults, err)
	}
}
