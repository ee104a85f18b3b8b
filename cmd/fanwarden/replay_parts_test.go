package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/rules"
	"fanwarden/rules/condition"
)

// toldOf replays a recording in so many parts and returns what was told.
func toldOf(t *testing.T, fleet, readings string, parts int) (string, tally) {
	t.Helper()
	loaded, faults, err := config.Load(fleet)
	if err != nil || len(faults) > 0 {
		t.Fatal(faults, err)
	}
	file, err := os.Open(readings)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	var out bytes.Buffer
	divided := rules.Divide(loaded, parts)
	if len(divided) != parts {
		t.Fatalf("%d parts, want %d", len(divided), parts)
	}
	sum, err := replayed(t.Context(), divided, file, readings, func(c *condition.Transition) error { return writeEvent(&out, c) })
	if err != nil {
		t.Fatal(err)
	}
	return out.String(), sum
}

// A fleet that is judged in parts brings, to the byte, what it brings as a whole:
// a campus with all its troubles, and rows of nobody and of times that go back.
func TestReplayInPartsTellsTheSame(t *testing.T) {
	fleet, readings := recordingOfACampus(t, 2*time.Hour, true)
	text, err := os.ReadFile(readings)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.SplitAfter(string(text), "\n")
	strange := []string{strings.Replace(lines[9000], lines[9000][strings.Index(lines[9000], ",")+1:][:5], "ghost", 1)}
	odd := slices.Concat(lines[:10_000], strange, lines[9_900:])
	path := filepath.Join(t.TempDir(), "odd.csv")
	if err := os.WriteFile(path, []byte(strings.Join(odd, "")), 0o600); err != nil {
		t.Fatal(err)
	}
	want, whole := toldOf(t, fleet, path, 1)
	if whole.changes < 10 || whole.unknown == 0 || whole.late == 0 {
		t.Fatalf("%+v: this compares nothing", whole)
	}
	for _, parts := range []int{2, 5} {
		got, sum := toldOf(t, fleet, path, parts)
		if got != want {
			t.Errorf("in %d parts:\n%s\nas a whole:\n%s", parts, got, want)
		}
		sum.took, whole.took = 0, 0
		if sum != whole {
			t.Errorf("in %d parts %+v, as a whole %+v", parts, sum, whole)
		}
	}
}

// A reader of changes that is gone ends a replay at once, and so does its context.
func TestReplayInPartsEnds(t *testing.T) {
	fleet, readings := recordingOfACampus(t, 2*time.Hour, true)
	loaded, _, _ := config.Load(fleet)
	text, err := os.ReadFile(readings)
	if err != nil {
		t.Fatal(err)
	}
	gone := errors.New("the reader is gone")
	_, err = replayed(t.Context(), rules.Divide(loaded, 3), bytes.NewReader(text), "r", func(*condition.Transition) error { return gone })
	if !errors.Is(err, gone) {
		t.Errorf("%v; want what the reader said", err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	_, err = replayed(ctx, rules.Divide(loaded, 3), bytes.NewReader(text), "r", func(*condition.Transition) error { cancel(); return nil })
	if !errors.Is(err, context.Canceled) {
		t.Errorf("%v; want the end of the context", err)
	}
}
