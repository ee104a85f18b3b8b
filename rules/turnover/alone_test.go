package turnover

import (
	"strings"
	"testing"
)

// TestAlone refuses to write where another fan has a point: what two fans share, and
// what a wrong slot lays on the other. Other bits of one word are each fan's own.
func TestAlone(t *testing.T) {
	for name, c := range map[string]struct {
		forced string // the outputs of the map
		second string // of the second fan's table
		says   string
	}{
		"each its own unit":    {forceMap, "", ""},
		"each its own slot":    {forceMap, "unit = 1\nslot = 1\n", ""},
		"one force_on for all": {strings.Replace(forceMap, "bit = 2", "bit = 2\nshared = true", 1), "unit = 1\nslot = 1\n", "its force_on (holding 41 of unit 1) is the force_on of ef2 as well"},
		"another bit of a word": {strings.Replace(forceMap, "bit = 2", "bit = 2\nshared = true", 1) + "[pointmaps.n]\nprotocol = \"modbus\"\nstride = 100\n" + strings.ReplaceAll(rightMap, "pointmaps.m", "pointmaps.n") +
			strings.ReplaceAll(strings.Replace(forceMap, "bit = 2", "bit = 3\nshared = true", 1), "pointmaps.m", "pointmaps.n"), "unit = 1\nslot = 1\npointmap = \"n\"\n", ""},
		"on the setpoint of the other": {forceMap, "unit = 1\nslot = 1\n", "its force_on (holding 41 of unit 1) is the setpoint of ef2 as well"},
	} {
		t.Run(name, func(t *testing.T) {
			second := fleetFan("ef2", 2, "")
			if c.second != "" {
				second = strings.Replace(second, "unit = 2\n", "", 1)
				if strings.Contains(c.second, "pointmap") {
					second = strings.Replace(second, "pointmap = \"m\"\n", "", 1)
				}
				second += c.second
			}
			stride := "stride = 100\n"
			if strings.Contains(c.says, "setpoint") {
				stride = "stride = 20\n"
			}
			head := strings.Replace(fleetHead, "[pointmaps.m]\n", "[pointmaps.m]\n"+stride, 1)
			f := fleet(t, head+rightMap+c.forced+fleetFan("ef1", 1, "")+second)
			err := Alone(f, f.Fans[0])
			if (err == nil) != (c.says == "") || err != nil && !strings.Contains(err.Error(), c.says) {
				t.Errorf("%v; want %q", err, c.says)
			}
		})
	}
}

// What is written to is named in whole, so that a change of the map shows.
func TestWrites(t *testing.T) {
	f := newBench(t).fan
	if got := strings.Join(Writes(f), "; "); got != "force_on is holding 41 of unit 1 behind "+f.Gateway.URL+", bit 2; force_speed is holding 40 of unit 1 behind "+f.Gateway.URL {
		t.Error(got)
	}
	raw := 1000.0
	f.ForceRelease = &raw
	if got := strings.Join(Writes(f), "; "); !strings.HasSuffix(got, "; force_release is 0x03E8") {
		t.Error(got)
	}
}
