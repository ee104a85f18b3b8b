package main

import (
	"context"
	"encoding/json"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// TestMain lets this program be the processes that the bench starts of itself.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && commands()[os.Args[1]] != nil {
		os.Exit(command(context.Background(), os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
	}
	os.Exit(m.Run())
}

// needLibmodbus skips a test on a machine without it.
func needLibmodbus(t *testing.T) {
	t.Helper()
	if err := exec.Command("pkg-config", "--exists", "libmodbus").Run(); err != nil {
		if os.Getenv("FANWARDEN_PEERS") == "required" {
			t.Fatalf("libmodbus-dev is required here: %v", err)
		}
		t.Skip("skipped: libmodbus-dev is not on this machine; testdata/run installs it")
	}
}

// Every row is measured once, as small as it can be, and comes out as JSON.
func TestEveryRowRuns(t *testing.T) {
	needLibmodbus(t)
	var out, diagnostics strings.Builder
	if status := command(t.Context(), []string{"--tiny", "--runs", "1", "--json"}, strings.NewReader(""), &out, &diagnostics); status != 0 {
		t.Fatalf("status %d: %s", status, diagnostics.String())
	}
	var rows []row
	if err := json.Unmarshal([]byte(out.String()), &rows); err != nil {
		t.Fatal(err)
	}
	var want, got []string
	for _, c := range contests() {
		for _, r := range c.rows {
			want = append(want, r.Name)
		}
	}
	for _, r := range rows {
		got = append(got, r.Name)
		if r.Ours < 0 || r.Ratio <= 0 {
			t.Errorf("%s: %v of ours, %v of theirs, ratio %v", r.Name, r.Ours, r.Theirs, r.Ratio)
		}
	}
	if !slices.Equal(got, want) {
		t.Errorf("rows %v, want %v", got, want)
	}
}

func TestCommandLinesThatCannotBe(t *testing.T) {
	for args, want := range map[string]string{
		"--rows nonsense": `there is no row "nonsense"`,
		"--runs 0":        "N is 1 or more",
		"nonsense":        "usage: bench",
		"poll 1":          "usage: bench poll",
	} {
		var out, diagnostics strings.Builder
		status := command(t.Context(), strings.Fields(args), strings.NewReader(""), &out, &diagnostics)
		if status != 2 || !strings.Contains(diagnostics.String(), want) || out.Len() > 0 {
			t.Errorf("%s: status %d, out %q, diagnostics %q; want %q", args, status, out.String(), diagnostics.String(), want)
		}
	}
}
