package config

import (
	"os"
	"strings"
	"testing"
)

func TestSamePollingLooksPastLinesAndRulesButNotPastWhatIsRead(t *testing.T) {
	const file = "../deploy/fleet.example.toml"
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	parse := func(text string) *Fleet {
		fleet, faults := Parse(file, []byte(text), os.ReadFile)
		if len(faults) > 0 {
			t.Fatal(faults)
		}
		return fleet
	}
	before := parse(string(text))
	moved := parse("# a line more\n" + string(text) + "\n[rules.gateway_down]\nhold = \"40m\"\n")
	for i := range before.Fans {
		if !before.Fans[i].SamePolling(moved.Fans[i]) || !before.Fans[i].Gateway.SamePolling(moved.Fans[i].Gateway) {
			t.Errorf("fan %s is said to be read in another way after a line was added", before.Fans[i].ID)
		}
	}
	changed := parse(strings.Replace(string(text), "scale = 0.1", "scale = 0.2", 1))
	if before.Fans[0].SamePolling(changed.Fans[0]) {
		t.Error("a new unit went unnoticed")
	}
	slower := parse(strings.Replace(string(text), "[[gateways]]", "[[gateways]]\npause = \"50ms\"", 1))
	if before.Gateways[0].SamePolling(slower.Gateways[0]) {
		t.Error("a new pause went unnoticed")
	}
}
