package main

import (
	"os"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/rules/condition"
)

// A gateway has one trouble at a time, each kind comes to each once in as many
// rounds as there are gateways, and those called quiet have none.
func TestPlanned(t *testing.T) {
	seen := make(map[string]int)
	for n := range gateways {
		busy := make(map[string]bool)
		for _, tr := range planned(7, n) {
			if busy[tr.gateway] {
				t.Errorf("round %d: two troubles of %s", n, tr.gateway)
			}
			busy[tr.gateway] = true
			seen[tr.kind.name+tr.gateway]++
		}
		for i := range gateways - len(kinds) {
			if id := quiet(7, n, i); busy[id] {
				t.Errorf("round %d: %s is called quiet and has a trouble", n, id)
			}
		}
	}
	for i := range gateways {
		for _, k := range kinds {
			want := 0
			if _, _, can := k.at(i); can {
				want = 1
			}
			if n := seen[k.name+gatewayID(i)]; n != want {
				t.Errorf("%s comes to %s %d times", k.name, gatewayID(i), n)
			}
		}
	}
}

// The kinds are troubles that the field has, and takes for the gateways that have
// them; what they call for is known.
func TestKinds(t *testing.T) {
	o := options{host: "127.0.0.9", port: 21600}
	fleet, faults := config.Parse("field.toml", []byte(fleetText(o, side{field: true}, "")), os.ReadFile)
	if len(faults) > 0 {
		t.Fatal(faults)
	}
	all := field.New(fleet, 1, time.Now())
	for n := range gateways {
		for _, tr := range planned(1, n) {
			if tr.way == through {
				if err := all.Put(tr.fault()); err != nil {
					t.Error(err)
				}
			}
		}
	}
	for _, k := range kinds {
		if k.way == through && (k.field == "" || k.field.OfFan() != k.fan && k.field != field.SilentUnit) {
			t.Errorf("%s is not a trouble of the field", k.name)
		}
		for _, name := range k.raise {
			known := false
			for _, d := range condition.Catalogue() {
				known = known || d.Name == name
			}
			if !known {
				t.Errorf("%s calls for %s, which is no condition", k.name, name)
			}
		}
	}
}

// Every ordeal comes in the first two rounds, and no kill when it is late.
func TestOrdeals(t *testing.T) {
	names := make(map[string]bool)
	for n := range 2 {
		for _, o := range ordealsOf(n, false) {
			names[o.name] = true
		}
	}
	for _, o := range []ordeal{killed, diskFull, clockJump, reloaded, unheard, stalled, borrowed} {
		if !names[o.name] {
			t.Errorf("a run of two rounds has no %q", o.name)
		}
	}
	for n := range sets {
		for _, o := range ordealsOf(n, true) {
			if o.name == killed.name {
				t.Error("the daemon is killed late in a run")
			}
		}
	}
}

// The fleet files are good, and no two fans have the same setpoint.
func TestFleets(t *testing.T) {
	o := options{dir: t.TempDir(), host: "127.0.0.9", port: 21600}
	if err := o.writeFleet(""); err != nil {
		t.Fatal(err)
	}
	for _, s := range []side{{name: "field", field: true}, {name: "first"}, {name: "changed", changed: true}} {
		fleet, faults := config.Parse(o.path("fleet.toml"), []byte(fleetText(o, s, "http://127.0.0.1:1")), os.ReadFile)
		if len(faults) > 0 {
			t.Fatalf("%s: %v", s.name, faults)
		}
		want := gateways * fansEach
		if s.name != "first" {
			want++
		}
		if len(fleet.Fans) != want {
			t.Errorf("%s: %d fans, want %d", s.name, len(fleet.Fans), want)
		}
		setpoints := make(map[float64]bool)
		for _, f := range fleet.Fans {
			setpoints[f.Setpoint] = true
		}
		if len(setpoints) != len(fleet.Fans) {
			t.Errorf("%s: %d setpoints of %d fans", s.name, len(setpoints), len(fleet.Fans))
		}
	}
}
