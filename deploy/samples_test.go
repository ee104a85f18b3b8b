// Package deploy_test loads every file of this folder with the program that it
// is meant for, and builds and runs what the Dockerfile describes.
package deploy_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// samples names every file of the folder and the test that loads it.
var samples = map[string]string{
	"fanwarden.service":  "TestUnit",
	"serial.conf":        "TestUnit",
	"prometheus.yml":     "TestPrometheus",
	"fleet.example.toml": "the tests of package config",
	"fleet.bacnet.toml":  "the tests of package config",

	"fanwarden.rules.yml":      "TestRules",
	"fanwarden.rules.test.yml": "TestRules",
	"alertmanager.yml":         "TestAlertmanager",
	"runbooks":                 "TestEveryConditionHasARunbook",
	"grafana":                  "TestDashboardAsksForWhatIsExported",
}

func TestEverySampleIsLoadedBySomeTest(t *testing.T) {
	entries, err := os.ReadDir(".")
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if samples[e.Name()] == "" && !strings.HasSuffix(e.Name(), "_test.go") {
			t.Errorf("no test loads %s: write one, and name it in the list above", e.Name())
		}
	}
}

// tool finds a program, or ends the test with what to install. The run that
// is to skip nothing sets FANWARDEN_PEERS=required.
func tool(t *testing.T, name, debian string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		missing(t, name+" is not installed (Debian package "+debian+")")
	}
	return path
}

func missing(t *testing.T, what string) {
	t.Helper()
	if os.Getenv("FANWARDEN_PEERS") == "required" {
		t.Fatal(what)
	}
	t.Skip(what)
}

func read(t *testing.T, name string) string {
	t.Helper()
	content, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(content)
}

func write(t *testing.T, name, content string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(name), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(name, []byte(content), 0o644); err != nil {
		t.Fatal(err)
	}
}

func TestPrometheus(t *testing.T) {
	promtool := tool(t, "promtool", "prometheus")
	if out, err := exec.Command(promtool, "check", "config", "prometheus.yml").CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	if !strings.Contains(read(t, "prometheus.yml"), `"127.0.0.1:9640"`) {
		t.Error("it does not scrape where the daemon listens by default")
	}
}

// verify checks a unit with or without the drop-in. The daemon need not be
// installed for it: another program stands in its place. What systemd only
// warns of, as an unknown key, is a fault too.
func verify(t *testing.T, unit, dropIn string) (complaints string) {
	t.Helper()
	analyze := tool(t, "systemd-analyze", "systemd")
	place := filepath.Join(t.TempDir(), "fanwarden.service")
	write(t, place, strings.ReplaceAll(unit, "/usr/local/bin/fanwarden", "/bin/true"))
	if dropIn != "" {
		write(t, filepath.Join(place+".d", "serial.conf"), dropIn)
	}
	out, err := exec.Command(analyze, "verify", place).CombinedOutput()
	if err != nil {
		return err.Error() + "\n" + string(out)
	}
	return strings.TrimSpace(string(out))
}

func TestUnit(t *testing.T) {
	unit, serial := read(t, "fanwarden.service"), read(t, "serial.conf")
	if complaints := verify(t, unit, ""); complaints != "" {
		t.Errorf("fanwarden.service: %s", complaints)
	}
	if complaints := verify(t, unit, serial); complaints != "" {
		t.Errorf("with serial.conf: %s", complaints)
	}
	if verify(t, unit+"\nNoSuchKey=yes\n", "") == "" {
		t.Error("a key that does not exist was not noticed")
	}
}

// Systemd's own measure of what a service could do, in tenths from 0 to 100;
// most services of a distribution are above 90.
func TestUnitIsHardened(t *testing.T) {
	analyze := tool(t, "systemd-analyze", "systemd")
	out, err := exec.Command(analyze, "security", "--offline=true", "--threshold=15",
		"--no-pager", filepath.Join(".", "fanwarden.service")).CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}
