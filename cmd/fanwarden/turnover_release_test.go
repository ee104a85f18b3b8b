package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/config"
	"fanwarden/rules/turnover"
)

// TestMayRelease holds that a release writes only where an exercise has written, and
// where none is known to have, only to a fan that may be exercised and only when
// somebody says so.
func TestMayRelease(t *testing.T) {
	const none = "no exercise is known to have left it forced, and "
	for name, c := range map[string]struct {
		from, to string // what changes in the fleet file after the fan was noted
		noted    bool
		typed    string
		says     string // "" where it may be
	}{
		"noted":              {noted: true},
		"no longer allowed":  {noted: true, from: "allow_exercise = true", to: "allow_exercise = false"},
		"another duty":       {noted: true, from: `duty = "bath"`, to: `duty = "kitchen"`},
		"life safety":        {noted: true, from: "allow_exercise = true", to: "life_safety = true", says: "life_safety: nothing ever writes to it"},
		"another coil":       {noted: true, from: `force_on = {table = "coil", address = 3}`, to: `force_on = {table = "coil", address = 4}`, says: "The exercise wrote to: force_on is coil 3 of unit 1 behind "},
		"another unit":       {noted: true, from: "unit = 1\n", to: "unit = 7\n", says: "a release now would to: force_on is coil 3 of unit 7 behind "},
		"another gateway":    {noted: true, from: "127.0.0.1:502", to: "127.0.0.2:502", says: "remove the note: /"},
		"another release":    {noted: true, from: `duty = "bath"`, to: "duty = \"bath\"\nforce_release = 0", says: "force_release is 0x0000"},
		"not noted":          {typed: "release one\n"},
		"not noted, and no":  {typed: "\n", says: "not confirmed; nothing was written"},
		"not noted, allowed": {typed: "release one\n", from: "allow_exercise = true", to: "allow_exercise = false", says: none + "the fleet file does not allow it"},
		"not noted, kitchen": {typed: "release one\n", from: `duty = "bath"`, to: `duty = "kitchen"`, says: none + `a fan of duty "kitchen" is not driven by a tool`},
		"not noted, unknown": {typed: "release one\n", from: `duty = "bath"`, to: ``, says: none + "its duty is not known"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			text := fmt.Sprintf(forcedFleet, dir, "tcp://127.0.0.1:502")
			if c.noted {
				f := releaseFleet(t, text).Fans[0]
				note, err := forced.Put(dir, f.ID, turnover.Writes(f)...)
				if err != nil {
					t.Fatal(err)
				}
				note.Leave()
			}
			fleet := releaseFleet(t, strings.Replace(text, c.from, c.to, 1))
			var says bytes.Buffer
			h := &handover{p: &process{stdin: strings.NewReader(c.typed), stderr: &says}, fleet: fleet}
			err := h.mayRelease(t.Context(), fleet.Fans[0])
			if (c.says == "") != (err == nil) || err != nil && !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v, want %q", err, c.says)
			}
			if asked := strings.Contains(says.String(), "type: release one"); asked && c.noted || err == nil && !asked && !c.noted {
				t.Errorf("asked %q", says.String())
			}
		})
	}
}

// Notes that cannot be read may be of a program that exercises the fan now.
func TestNoReleaseWhereNotesCannotBeRead(t *testing.T) {
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, "forced"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	fleet := releaseFleet(t, fmt.Sprintf(forcedFleet, dir, "tcp://127.0.0.1:502"))
	h := &handover{p: &process{stdin: strings.NewReader("release one\n"), stderr: &bytes.Buffer{}}, fleet: fleet}
	if err := h.mayRelease(t.Context(), fleet.Fans[0]); err == nil || !strings.Contains(err.Error(), "back to automatic at its controller") {
		t.Error(err)
	}
}

// One fan that cannot be released leaves the next one not forced.
func TestReleaseGoesOn(t *testing.T) {
	dir := t.TempDir()
	fleet := releaseFleet(t, fmt.Sprintf(forcedFleet, dir, "tcp://127.0.0.1:502"))
	var says bytes.Buffer
	h := &handover{p: &process{stdin: strings.NewReader("\n\n"), stderr: &says}, fleet: fleet, fans: fleet.Fans}
	if status := h.release(t.Context()); status != couldNotRun || strings.Count(says.String(), "cannot be released: not confirmed") != 2 {
		t.Errorf("status %d, %s", status, says.String())
	}
}

func releaseFleet(t *testing.T, text string) *config.Fleet {
	t.Helper()
	fleet, faults, err := config.Load(writeFleet(t, text))
	if err != nil || len(faults) > 0 {
		t.Fatal(faults, err)
	}
	return fleet
}
