package main

import (
	"strings"
	"testing"
)

// TestDiscoverProposesAMapOfWhatAnotherStackServes finds devices of another
// library, one of which knows no multiple reads and one more objects than an answer
// can list, though some datagrams are lost.
func TestDiscoverProposesAMapOfWhatAnotherStackServes(t *testing.T) {
	t.Parallel()
	p := startBACnet(t)
	p.do("fan 1201")
	p.do("fan 1202 phase=2")
	p.do("fan 1203 pressure=58")
	p.do("multiple 1202 no")
	p.do("set 1203 analog-input,1 description The probe in the shaft")
	p.do("flags 1203 analog-input,1 out-of-service")
	for n := range 260 {
		p.do("set 1203 analog-value,%d object-name Spare %d", 100+n, n)
	}
	p.do("device 7")
	p.do("set 7 analog-input,1 object-name Room temperature")
	p.do("set 7 analog-input,1 units 62")
	p.do("lose 0.02")
	url := "bacnet://127.0.0.1:" + p.port
	status, out, stderr := runCommand(t, "points", "--discover", "--url", url, "--wait", "600ms")
	if status != allWell || !strings.Contains(stderr, "4 devices answered") || !strings.Contains(stderr, "writing nothing") {
		t.Fatalf("status %d, %s\n%s", status, stderr, out)
	}
	shows(t, out, `^# 4 devices with 291 objects\.$`, `^# Device 1202, "Controller 1202", objects: 10\. unit = 1202, at 127\.0\.0\.1:\d+: pressure -\d+`,
		`(?s)\[pointmaps\.device-1201\]\nprotocol = "bacnet"$`, `(?s)\[pointmaps\.device-1201\.points\.pressure\]\nobject = "analog-input,1"\nunit = "Pa"$`,
		`(?s)\[pointmaps\.device-1203\.points\.pressure\]\nobject = "analog-input,1"\nunit = "inH2O"$`, `^# pressure is .* \(The probe in the shaft\), .* inH2O, flagged`,
		`^# - analog-value,359 "Spare 259"`, `^# Device 7,`, `^# - analog-input,1 "Room temperature", 0 C`)
	for _, device := range []int{1201, 1202, 1203, 7} {
		multiple, single, writes := p.asked(device)
		if writes != 0 || (single == 0) != (device != 1202) || multiple > 40 {
			t.Errorf("device %d was asked %d times for many and %d times for one, and written to %d times", device, multiple, single, writes)
		}
	}

	p.do("device 7") // another one
	status, out, stderr = runCommand(t, "points", "--discover", "--url", url, "--unit", "7", "--wait", "300ms")
	if !strings.Contains(stderr, "two devices have one instance") || !strings.Contains(stderr, `"device": 7`) {
		t.Errorf("of two devices with one instance it says %s", stderr)
	}
	if status != foundWrong || strings.Contains(out, "1201") || strings.Contains(out, "\n[") {
		t.Errorf("status %d:\n%s", status, out)
	}
	status, _, stderr = runCommand(t, "points", "--discover", "--url", url, "--unit", "99", "--wait", "100ms")
	if status != foundWrong || !strings.Contains(stderr, "no device said who it is") {
		t.Errorf("status %d, %s", status, stderr)
	}
}

func TestDiscoverSaysWhatItIsNotGiven(t *testing.T) {
	file := fleetOf(t, "tcp://192.0.2.1:502")
	for _, c := range []struct{ flags, says string }{
		{"", "--gateway ID, or --url"},
		{"--config " + file, "--gateway ID, or --url"},
		{"--config " + file + " --gateway rof", `no gateway "rof"`},
		{"--config " + file + " --gateway roof", "use --guess"},
		{"--gateway roof --url bacnet://127.0.0.1", "both given"},
		{"--url tcp://127.0.0.1", "write bacnet://HOST"},
		{"--url bacnet://127.0.0.1/x --gateway roof", "both given"},
		{"--url bacnet://127.0.0.1 --wait 0s", "--wait must be above zero"},
	} {
		args := append([]string{"points", "--discover"}, strings.Fields(c.flags)...)
		if status, _, stderr := runCommand(t, args...); status != couldNotRun || !strings.Contains(stderr, c.says) {
			t.Errorf("%q: status %d, %s", c.flags, status, stderr)
		}
	}
}

// A BACnet device says what its objects are: nothing need be guessed.
func TestGuessLeavesBACnetToDiscover(t *testing.T) {
	file := objectFleet(t, &peer{port: "47808"}, "", []*commissioned{{id: "one", device: 1201}})
	for _, flags := range []string{"--fan one", "--gateway roof --unit 1"} {
		args := append([]string{"points", "--config", file, "--guess"}, strings.Fields(flags)...)
		if status, _, stderr := runCommand(t, args...); status != couldNotRun || !strings.Contains(stderr, "use --discover --gateway roof") {
			t.Errorf("%s: status %d, %s", flags, status, stderr)
		}
	}
}
