package config

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// sane holds what is true of every outcome: a fleet or faults, and each fault
// with a place and words.
func sane(t *testing.T, fleet *Fleet, faults []Fault) {
	t.Helper()
	if (fleet == nil) != (len(faults) > 0) {
		t.Fatalf("fleet %v with %d faults", fleet, len(faults))
	}
	for i, f := range faults {
		if f.Line < 1 || f.What == "" || f.Remedy == "" || f.File == "" {
			t.Errorf("fault %+v", f)
		}
		if i > 0 && f.File == faults[i-1].File && f.Line < faults[i-1].Line {
			t.Errorf("not in order: %v", f)
		}
	}
	if fleet == nil {
		return
	}
	for _, w := range Audit(fleet) {
		if w.Line < 1 || w.What == "" || w.Remedy == "" || w.File == "" {
			t.Errorf("warning %+v", w)
		}
	}
	for _, f := range fleet.Fans {
		if f.Gateway == nil || f.Building == nil || f.PointMap == nil || f.Rules == nil || f.Gateway.PollEvery <= 0 {
			t.Errorf("fan %+v", f)
		}
		if _, found := f.Placed(f.Controlled()); !found && !f.ControlsAirflow {
			t.Errorf("fan %s has no controlled value", f.ID)
		}
		for _, p := range f.Points {
			if p.Address < 0 || p.Address+p.Words() > 65536 || p.Unit < 0 || p.Unit > 255 {
				t.Errorf("fan %s: %+v", f.ID, p)
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, pattern := range []string{"testdata/sample.toml", "testdata/full/*.toml", "testdata/many/*.toml", "testdata/faulty/s*.toml", "testdata/faulty/bacnet*.toml"} {
		files, _ := filepath.Glob(pattern)
		for _, file := range files {
			text, err := os.ReadFile(file)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(text)
		}
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		fleet, faults := Parse("fleet.toml", text, func(string) ([]byte, error) { return nil, fs.ErrNotExist })
		sane(t, fleet, faults)
		lines := 1 + strings.Count(string(text), "\n")
		for _, fault := range faults {
			if fault.Line > lines {
				t.Errorf("line %d of %d: %v", fault.Line, lines, fault)
			}
		}
	})
}

func FuzzRoster(f *testing.F) {
	files, _ := filepath.Glob("testdata/faulty/*.csv")
	for _, file := range append(files, "testdata/full/fans.csv") {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		fleet, faults := rostered(string(text))
		sane(t, fleet, faults)
	})
}
