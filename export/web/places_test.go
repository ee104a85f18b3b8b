package web

import (
	"encoding/json"
	"testing"

	"fanwarden/config"
)

// A BACnet point is shown by its object and its device; it has neither table nor
// register, and its words have no order to show.
func TestPlacesOfObjects(t *testing.T) {
	fleet, faults := config.Parse("fleet.toml", []byte(`
[pointmaps.m]
protocol = "bacnet"
points.pressure = {object = "analog-input,1", unit = "Pa"}
points.speed = {object = "analog-output,1", unit = "%"}
points.running = {object = "multi-state-input,2", states = [2, 3]}
points.setpoint = {object = "analog-value,1", property = "relinquish-default", unit = "Pa"}
points.force_speed = {object = "analog-output,1", unit = "%", priority = 10}
[[buildings]]
id = "b"
[[gateways]]
id = "g"
building = "b"
url = "bacnet://192.0.2.20"
[[fans]]
id = "ef1"
gateway = "g"
unit = 1201
base = 20
pointmap = "m"
probe = "suction"
setpoint = "-30 Pa"
`), nil)
	if fleet == nil {
		t.Fatal(faults)
	}
	for i, want := range []string{
		`{"object":"analog-input,21","type":"number","unit_id":1201}`,
		`{"object":"analog-output,21","type":"number","unit_id":1201}`,
		`{"object":"analog-value,21 relinquish-default","type":"number","unit_id":1201}`,
		`{"object":"multi-state-input,22","states":[2,3],"type":"contact","unit_id":1201}`,
		`{"object":"analog-output,21","priority":10,"type":"number","unit_id":1201}`,
	} {
		var all, place map[string]any
		data, _ := json.Marshal(describePlace(fleet.Fans[0].Points[i]))
		if err := json.Unmarshal(data, &all); err != nil {
			t.Fatal(err)
		}
		place = make(map[string]any)
		for _, key := range []string{"object", "type", "unit_id", "priority", "states", "table", "address", "register", "order"} {
			if v, has := all[key]; has {
				place[key] = v
			}
		}
		if got, _ := json.Marshal(place); string(got) != want {
			t.Errorf("%s: %s, want %s", fleet.Fans[0].Points[i].Point, got, want)
		}
	}
}
