package config

import (
	"os"
	"testing"

	"fanwarden/poller/reading"
)

// The example that is shipped must be good, and worth imitating.
func TestShippedExample(t *testing.T) {
	fleet, faults, err := Load("../deploy/fleet.example.toml")
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	if len(fleet.Buildings) != 2 || len(fleet.Gateways) != 2 || len(fleet.Fans) != 4 {
		t.Errorf("%d buildings, %d gateways, %d fans", len(fleet.Buildings), len(fleet.Gateways), len(fleet.Fans))
	}
	for _, w := range Audit(fleet) {
		t.Error(w)
	}
}

func TestShippedBACnetExample(t *testing.T) {
	fleet, faults, err := Load("../deploy/fleet.bacnet.toml")
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	for _, w := range Audit(fleet) {
		t.Error(w)
	}
	p, _ := fleet.Fans[1].Placed(reading.Pressure)
	outdoors, _ := fleet.Fans[1].Placed(reading.OutdoorTemperature)
	if p.Unit != 1201 || p.Where() != "analog-input,11" || outdoors.Unit != 1200 || outdoors.Where() != "analog-input,900" {
		t.Errorf("the second fan's pressure is device %d %s, its outdoor temperature device %d %s", p.Unit, p.Where(), outdoors.Unit, outdoors.Where())
	}
}

// TestSample reads a file that is indented and commented as people do, with
// most keys at their defaults.
func TestSample(t *testing.T) {
	fleet, faults, err := Load("testdata/sample.toml")
	if err != nil || len(faults) > 0 {
		t.Fatal(err, faults)
	}
	if w := Audit(fleet); len(w) > 0 {
		t.Error(w)
	}
	f := fleet.Fans[0]
	if f.ID != "alder-ef1" || !f.GoesIdle || f.HighSpeedOffAt != 0.8 || f.StoppedBelow != 0.05 || len(f.Points) != 3 {
		t.Errorf("%+v", f)
	}
}

// A file as a spreadsheet program or an editor elsewhere may write it.
func TestMarksAndLineEndsOfOtherSystems(t *testing.T) {
	text, err := os.ReadFile("testdata/sample.toml")
	if err != nil {
		t.Fatal(err)
	}
	windows := append([]byte("\xef\xbb\xbf"), toCRLF(text)...)
	if fleet, faults := Parse("sample.toml", windows, os.ReadFile); fleet == nil {
		t.Error(faults)
	}
	windows = append(windows, "setpiont = 1\r\n"...)
	_, faults := Parse("sample.toml", windows, os.ReadFile)
	if len(faults) != 1 || faults[0].Line != 1+countLines(text) {
		t.Errorf("%v", faults)
	}
}

func toCRLF(text []byte) []byte {
	var out []byte
	for _, c := range text {
		if c == '\n' {
			out = append(out, '\r')
		}
		out = append(out, c)
	}
	return out
}

func countLines(text []byte) (n int) {
	for _, c := range text {
		if c == '\n' {
			n++
		}
	}
	return n
}
