package browser_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
)

// kim may act. Her hash is of password, as `fanwarden hash` makes it.
const (
	password = "correct horse battery"
	hash     = "$2a$12$dwJX7uz.7e22PZACIhqa9uxXN7msyOm8/n/fbybOxN14wZSNMG8bG"
)

// workshop is a small fleet to try things on: five fans behind a gateway that
// is simulated, and one behind a gateway that is not there. The holds are short
// because the tests wait for them in real time.
type workshop struct {
	file, url, training string
	daemon              *program
}

const workshopFleet = `
[fleet]
name = "Workshop"
poll_every = "500ms"
stale_after = "3s"
timezone = "America/Chicago"
[web]
listen = "127.0.0.1:%d"
users = {kim = "%s"}
[store]
dir = "%s"

[rules.controller_silent]
hold = "1s"
[rules.gateway_down]
hold = "1s"

[pointmaps.riser]
[pointmaps.riser.points.pressure]
table = "input"
address = 0
type = "int16"
scale = 0.1
unit = "Pa"
[pointmaps.riser.points.speed]
table = "input"
address = 1
type = "uint16"
scale = 0.1
unit = "%%"

[[buildings]]
id = "alder"
name = "Alder Hall"
[[gateways]]
id = "alder-roof"
building = "alder"
url = "tcp://127.0.0.1:%d"
[[gateways]]
id = "alder-annex"
building = "alder"
url = "tcp://127.0.0.1:%d"
`

const workshopFan = `
[[fans]]
id = "alder-ef%d"
name = "Riser %[1]d"
gateway = "%s"
unit = %[1]d
pointmap = "riser"
probe = "suction"
setpoint = "-30 Pa"
min_speed = "20 %%"
`

// shop is the one workshop of the run. Each test has a fan of its own, and one is
// left alone: where all were silent, it would be the line's alarm.
var shop struct {
	sync.Once
	*workshop
}

// inWorkshop starts a simulation and a daemon that watches it, or returns where
// they are.
func inWorkshop(t *testing.T) *workshop {
	t.Helper()
	needsBrowser(t)
	shop.Do(func() { shop.workshop = newWorkshop(t) })
	if shop.workshop == nil {
		t.Fatal("the workshop does not run")
	}
	return shop.workshop
}

func newWorkshop(t *testing.T) *workshop {
	t.Helper()
	port := freePort(t)
	above, err := scratch()
	if err != nil {
		t.Fatal(err)
	}
	dir, err := os.MkdirTemp(above, "workshop")
	if err != nil {
		t.Fatal(err)
	}
	w := &workshop{file: filepath.Join(dir, "fleet.toml"), url: fmt.Sprintf("http://127.0.0.1:%d", port)}
	fleet := fmt.Sprintf(workshopFleet, port, hash, filepath.Join(dir, "store"), freePort(t), freePort(t))
	served := fleet
	for n := range 6 {
		gateway := "alder-roof"
		if n == 5 {
			gateway = "alder-annex"
		}
		fan := fmt.Sprintf(workshopFan, n+1, gateway)
		fleet += fan
		if gateway == "alder-roof" {
			served += fan
		}
	}
	// What is simulated lacks the annex, so that nobody listens there.
	annex := strings.Index(served, "[[gateways]]\nid = \"alder-annex\"")
	served = served[:annex] + served[strings.Index(served, "\n[[fans]]"):]
	field := filepath.Join(dir, "field.toml")
	for file, text := range map[string]string{w.file: fleet, field: served} {
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	sim := start(t, "sim", "--config", field, "--control", "127.0.0.1:0")
	w.training = sim.hears(t, `Training port: (\S+)`)
	w.watch(t)
	return w
}

// watch starts the daemon.
func (w *workshop) watch(t *testing.T) {
	t.Helper()
	w.daemon = start(t, "run", "--config", w.file)
	w.daemon.hears(t, `"event": ?"(listening)"`)
}

// alarm is what the daemon says of an alarm.
type alarm struct {
	ID, Condition, Fan, Gateway, State string
	Shelf                              *struct{ Who, Why string }
	Acknowledged                       *struct{ Who, Note string }
}

// alarms returns the alarms by the fan or gateway that they are of.
func (w *workshop) alarms(t *testing.T) map[string]alarm {
	t.Helper()
	all := make(map[string]alarm)
	for _, a := range get[struct{ Alarms []alarm }](t, w.url+"/api/v1/alarms?state=all").Alarms {
		all[a.Fan+a.Gateway] = a
	}
	return all
}

// silence makes a fan's controller silent, and waits for its alarm.
func (w *workshop) silence(t *testing.T, fan string) (id string) {
	t.Helper()
	put(t, w.training, `{"fan": "`+fan+`", "kind": "silent_unit"}`)
	until(t, patience, func() string {
		for _, a := range w.alarms(t) {
			if a.Fan == fan {
				id = a.ID
				return ""
			}
		}
		return "no alarm of " + fan
	})
	return id
}
