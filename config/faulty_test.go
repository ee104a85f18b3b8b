package config

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// want is a comment of a faulty file: "# want: [FILE:]LINE: part of the text".
var want = regexp.MustCompile(`(?m)^# want: (?:(\S+\.csv):)?(\d+): (.+)$`)

// TestFaulty loads every file of testdata/faulty and compares its faults with
// those that the file's own comments name: none less, none more.
func TestFaulty(t *testing.T) {
	files, err := filepath.Glob("testdata/faulty/*.toml")
	if err != nil || len(files) < 100 {
		t.Fatalf("%d faulty files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) { expectFaults(t, file) })
	}
}

func expectFaults(t *testing.T, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	fleet, faults, err := Load(file)
	if err != nil || fleet != nil {
		t.Fatalf("fleet %v, error %v", fleet, err)
	}
	wanted := want.FindAllStringSubmatch(string(text), -1)
	for i, f := range faults {
		if i > 0 && f.File == faults[i-1].File && f.Line < faults[i-1].Line {
			t.Errorf("not in order: %v", f)
		}
		if f.What == "" || f.Remedy == "" {
			t.Errorf("says nothing: %v", f)
		}
		if j := matching(file, f, wanted); j >= 0 {
			wanted = append(wanted[:j:j], wanted[j+1:]...)
		} else {
			t.Errorf("not wanted: %v", f)
		}
	}
	for _, w := range wanted {
		t.Errorf("not found: %s", w[0])
	}
}

// matching returns which of the wanted faults f is, or -1.
func matching(file string, f Fault, wanted [][]string) int {
	for j, w := range wanted {
		in := file
		if w[1] != "" {
			in = filepath.Join(filepath.Dir(file), w[1])
		}
		if f.File == in && fmt.Sprint(f.Line) == w[2] && strings.Contains(f.What+"; "+f.Remedy, w[3]) {
			return j
		}
	}
	return -1
}
