package main

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"
)

func TestUsage(t *testing.T) {
	for _, test := range []struct {
		args   []string
		status int
		stderr string
	}{
		{nil, couldNotRun, "usage: fanwarden COMMAND"},
		{[]string{"chekc"}, couldNotRun, `there is no command "chekc"`},
		{[]string{"check"}, couldNotRun, "--config is missing"},
		{[]string{"points", "--config", "x.toml"}, couldNotRun, "--fan is missing"},
		{[]string{"run", "--config", "nowhere.toml"}, couldNotRun, "no such file"},
		{[]string{"run", "--config", "testdata/faulty.toml"}, couldNotRun, "testdata/faulty.toml:3: "},
		{[]string{"points", "--config", "testdata/faulty.toml", "--fan", "a", "b"}, couldNotRun, "1 operands given, 0 wanted"},
		{[]string{"replay", "--config", "x.toml"}, couldNotRun, "0 operands given, 1 wanted"},
		{[]string{"replay", "--config", "x.toml", "--format", "xml", "r.csv"}, couldNotRun, "it is text or jsonl"},
		{[]string{"replay", "r.csv", "--config", "x.toml"}, couldNotRun, "--config comes too late; flags stand before the file"},
		{[]string{"check", "-h"}, allWell, "usage: fanwarden check --config FILE"},
	} {
		status, stdout, stderr := runCommand(t, test.args...)
		if status != test.status || !strings.Contains(stderr, test.stderr) || stdout != "" {
			t.Errorf("%q: status %d, stdout %q, stderr %q; want %d and %q", test.args, status, stdout, stderr, test.status, test.stderr)
		}
	}
	if status, stdout, _ := runCommand(t, "help"); status != allWell || !strings.Contains(stdout, "replay") {
		t.Errorf("help: status %d, %q", status, stdout)
	}
	if status, stdout, _ := runCommand(t, "version"); status != allWell || !strings.HasPrefix(stdout, "fanwarden ") {
		t.Errorf("version: status %d, %q", status, stdout)
	}
}

func TestCheckShowsThePlanOfAGoodFileAndEndsWithStatus0(t *testing.T) {
	status, out, stderr := runCommand(t, "check", "--config", fleetOf(t, "tcp://192.0.2.1:502"))
	if status != allWell || stderr != "" {
		t.Errorf("status %d, stderr %q", status, stderr)
	}
	for _, wanted := range []string{"1 building, 1 gateway, 4 fans", "roof  tcp://192.0.2.1:502  4 fans every 250ms",
		"8 requests a cycle; 4 requests of 2 registers; 4 requests of 1 bit", "nothing to warn of"} {
		if !strings.Contains(out, wanted) {
			t.Errorf("no %q in:\n%s", wanted, out)
		}
	}
}

// A read of 10 registers at 9600 baud takes at least 45.83 ms (MODBUS over
// Serial Line V1.02, section 2.5.1.1: 11-bit characters, t3.5 of 3.5
// characters), so 32 of them take at least 1.47 s.
func TestCheckTellsWhatASerialLineNeedsAndRefusesWhatCannotFit(t *testing.T) {
	fleet := func(period string) string {
		text := "[fleet]\npoll_every = \"" + period + "\"\n[[buildings]]\nid = \"b\"\n" +
			"[[gateways]]\nid = \"line\"\nbuilding = \"b\"\nurl = \"rtuovertcp://192.0.2.1:4001\"\nline_baud = 9600\n" +
			"[pointmaps.m.points.pressure]\ntable = \"input\"\naddress = 0\ntype = \"int16\"\nunit = \"Pa\"\n" +
			"[pointmaps.m.points.speed]\ntable = \"input\"\naddress = 9\ntype = \"uint16\"\nunit = \"%\"\n"
		for unit := 1; unit <= 32; unit++ {
			text += fmt.Sprintf("[[fans]]\nid = \"f%d\"\ngateway = \"line\"\nunit = %d\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n", unit, unit)
		}
		return writeFleet(t, text)
	}
	status, out, _ := runCommand(t, "check", "--config", fleet("5s"))
	if want := "serial line at 9600 baud: a cycle takes at least 1.467s, 29 % of the period"; status != allWell || !strings.Contains(out, want) {
		t.Errorf("status %d, no %q in:\n%s", status, want, out)
	}
	status, out, _ = runCommand(t, "check", "--config", fleet("1s"))
	fault := regexp.MustCompile(`fleet.toml:5: gateway "line" cannot be read every 1s: its line at 9600 baud needs at least 1.467s .*; set its poll_every to 3 s or more`)
	if status != foundWrong || !fault.MatchString(out) {
		t.Errorf("status %d, no %s in:\n%s", status, fault, out)
	}
	// It shows beside other faults, in the same pass.
	beside := fleet("1s")
	text, _ := os.ReadFile(beside)
	os.WriteFile(beside, append(text, "max_sped = \"90 %\"\n"...), 0o600)
	if _, out, _ := runCommand(t, "check", "--config", beside); !fault.MatchString(out) || !strings.Contains(out, "max_sped") {
		t.Errorf("not both faults in:\n%s", out)
	}
	if status, _, stderr := runCommand(t, "run", "--config", fleet("1s")); status != couldNotRun || !fault.MatchString(stderr) {
		t.Errorf("run: status %d, stderr %q", status, stderr)
	}
}

func TestCheckWarnsOfSettingsAndEndsWithStatus1(t *testing.T) {
	text := strings.Replace(fmt.Sprintf(fourFans, "tcp://192.0.2.1:502"), `restart_rise = "45 Pa"`, `restart_rise = "20 Pa"`, 1)
	status, out, _ := runCommand(t, "check", "--config", writeFleet(t, text))
	if status != foundWrong || !strings.Contains(out, "warning: ") || !strings.Contains(out, "restart") || !strings.Contains(out, "1 warning; a daemon starts") {
		t.Errorf("status %d:\n%s", status, out)
	}
}

func TestPointsShowsRawWordsAndValuesOfEachPoint(t *testing.T) {
	field := startPymodbus(t, "tcp")
	setFan(field, 1, -31, 55, 1)
	field.do("set 2 input 1 550") // its pressure is missing
	file := fleetOf(t, "tcp://127.0.0.1:"+field.port)

	status, out, stderr := runCommand(t, "points", "--config", file, "--fan", "healthy")
	if status != allWell {
		t.Errorf("status %d, %s", status, stderr)
	}
	for _, row := range []string{`pressure +1 +input +0 +FECA +-31 Pa +-31 Pa +good`, `speed +1 +input +1 +0226 +55 % +0.55 ratio +good`,
		`high_speed +1 +discrete +0 +0001 +closed +good`} {
		if !regexp.MustCompile(row).MatchString(out) {
			t.Errorf("no row %s in:\n%s", row, out)
		}
	}

	status, out, _ = runCommand(t, "points", "--config", file, "--fan", "pinned")
	for _, row := range []string{`pressure .*illegal data address`, `speed .*0226 .*good`} {
		if status != foundWrong || !regexp.MustCompile(row).MatchString(out) {
			t.Errorf("status %d, no row %s in:\n%s", status, row, out)
		}
	}
	if status, _, stderr := runCommand(t, "points", "--config", file, "--fan", "helathy"); status != couldNotRun || !strings.Contains(stderr, "helathy") {
		t.Errorf("status %d, stderr %q", status, stderr)
	}
}
