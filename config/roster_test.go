package config

import (
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
)

// rostered reads sound's head with the given text as its roster.
func rostered(roster string) (*Fleet, []Fault) {
	head, _, _ := strings.Cut(sound, "[[fans]]")
	return Parse("site/fleet.toml", []byte("roster = \"fans.csv\"\n"+head), func(name string) ([]byte, error) {
		if name != "site/fans.csv" {
			return nil, fs.ErrNotExist
		}
		return []byte(roster), nil
	})
}

func TestRosterAndTablesSayTheSame(t *testing.T) {
	const table = "unit = 3\nprobe = \"suction\"\nsetpoint = \"-0.12 inH2O\"\nrun_on = \"90s\"\nprobe_factor = 0.9\n" +
		"allow_exercise = true\nin_service = 2026-03-01\nforce_release = 65535\n[fans.rules.pinned_at_max]\nhold = \"9m\"\nenabled = false\n"
	const roster = "gateway,pointmap,id,unit,probe,setpoint,run_on,probe_factor,allow_exercise,in_service,force_release,rules.pinned_at_max.hold,rules.pinned_at_max.enabled\n" +
		"alder-roof,rooftop,ef1,3,suction,-0.12 inH2O,90s,0.9,true,2026-03-01,65535,9m,no\n"
	a, faults := Parse("site/fleet.toml", []byte(sound+table), os.ReadFile)
	b, more := rostered(roster)
	if len(faults)+len(more) > 0 {
		t.Fatal(faults, more)
	}
	x, y := a.Fans[0], b.Fans[0]
	same(t, "force_release", *x.ForceRelease, *y.ForceRelease)
	same(t, "run_on", y.RunOn, 90*time.Second)
	x.ForceRelease, y.ForceRelease, x.origin, y.origin = nil, nil, origin{}, origin{}
	x.Gateway.origin, y.Gateway.origin = origin{}, origin{}
	same(t, "fan", fmt.Sprintf("%+v", deref(x)), fmt.Sprintf("%+v", deref(y)))
}

// deref returns a copy without the pointers, which differ from file to file.
func deref(f *Fan) Fan {
	c := *f
	c.Gateway, c.Building, c.PointMap = nil, nil, nil
	return c
}

func TestRosterIsMergedWithTables(t *testing.T) {
	roster := "id,gateway,unit,pointmap,probe,setpoint\nef2,alder-roof,2,rooftop,suction,-30 Pa\n"
	fleet, faults := Parse("fleet.toml", []byte("roster = \"r.csv\"\n"+sound+"probe = \"suction\"\nsetpoint = \"-30 Pa\"\n"),
		func(string) ([]byte, error) { return []byte(roster), nil })
	if len(faults) > 0 || len(fleet.Fans) != 2 || fleet.Fans[0].ID != "ef1" || fleet.Fans[1].ID != "ef2" {
		t.Errorf("%v %v", fleet, faults)
	}
}

func TestRosterWithoutFans(t *testing.T) {
	fleet, faults := rostered("id,gateway\n")
	if fleet != nil || len(faults) != 1 || !strings.Contains(faults[0].What, "no fan") {
		t.Errorf("%v", faults)
	}
}

// A large fleet is read in one go; every row keeps its own line.
func TestLargeRoster(t *testing.T) {
	var b strings.Builder
	b.WriteString("id,gateway,unit,base,pointmap,probe,setpoint\n")
	for i := range 5000 {
		fmt.Fprintf(&b, "ef%d,alder-roof,%d,%d,rooftop,suction,-30 Pa\n", i, i%250, i/250*2)
	}
	fleet, faults := rostered(b.String())
	if len(faults) > 0 || len(fleet.Fans) != 5000 {
		t.Fatalf("%d faults", len(faults))
	}
	if _, line := fleet.Fans[4999].Place(); line != 5001 {
		t.Errorf("line %d", line)
	}
	_, faults = rostered(b.String() + b.String()[strings.Index(b.String(), "\n")+1:])
	if len(faults) != 5000 || faults[4999].Line != 10001 {
		t.Errorf("%d faults", len(faults))
	}
}

func TestFanKeysHoldEveryColumn(t *testing.T) {
	keys := fanKeys()
	for _, key := range []string{"id", "in_service", "force_release", "high_speed_off_at", "probe_area", "rules.stuck_idle.idle_at_most"} {
		if !slices.Contains(keys, key) {
			t.Errorf("%s is no column", key)
		}
	}
	if slices.Contains(keys, "rules") || slices.Contains(keys, "rules.gateway_down.hold") {
		t.Errorf("%v", keys)
	}
}
