package config

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

func TestAuditOfBACnetGateways(t *testing.T) {
	const file = `
[pointmaps.objects]
protocol = "bacnet"
[pointmaps.objects.points]
pressure = { object = "analog-input,1", unit = "Pa" }
speed = { object = "analog-output,1", unit = "%%" }
[[buildings]]
id = "alder"
[[gateways]]
id = "bus"
building = "alder"
url = "bacnet://%s"
%s
[[fans]]
id = "ef1"
gateway = "bus"
unit = 1201
pointmap = "objects"
probe = "suction"
setpoint = "-30 Pa"
%s`
	const second = "[[fans]]\nid = \"ef2\"\ngateway = \"bus\"\nunit = 1202\npointmap = \"objects\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n"
	for name, c := range map[string]struct{ host, keys, more, want string }{
		"one device":               {"10.20.3.20", "", "", ""},
		"a broadcast address":      {"10.20.3.255", "", "", "does not hear them; write local_port = 47808"},
		"a router":                 {"10.20.3.20", "", second, "does not hear them"},
		"the port of all":          {"10.20.3.255", "local_port = 47808", second, ""},
		"a BBMD":                   {"10.20.3.20", "foreign_device = true", second, ""},
		"this machine":             {"127.0.0.1", "", second, ""},
		"time for three tries":     {"10.20.3.20", "timeout = \"1500ms\"", "", "only 3 of the 4 tries of a request fit into the period, so lost datagrams cost readings; write a timeout of 1s or less"},
		"time for four":            {"10.20.3.20", "timeout = \"1250ms\"", "", ""},
		"a short period's default": {"10.20.3.20", "poll_every = \"500ms\"", "", ""},
	} {
		fleet, faults := Parse("fleet.toml", fmt.Appendf(nil, file, c.host, c.keys, c.more), os.ReadFile)
		if len(faults) > 0 {
			t.Fatal(name, faults)
		}
		got := Audit(fleet)
		if c.want == "" && len(got) > 0 || c.want != "" && (len(got) != 1 || !strings.Contains(got[0].String(), c.want)) {
			t.Errorf("%s: %v", name, got)
		}
	}
}
