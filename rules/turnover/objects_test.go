package turnover

import (
	"fmt"
	"strings"
	"testing"

	"fanwarden/poller/bacnet"
)

// object makes one from "analog-input,1 NAME" with a unit's number, 0: it has none.
func object(kind bacnet.ObjectType, n uint32, name string, unit bacnet.EngineeringUnits, value float64) Object {
	return Object{ID: bacnet.ObjectID{Type: kind, Instance: n}, Name: name, Says: Says{Unit: unit, HasUnit: unit != 0, Value: value, Known: true}}
}

// riser is an invented controller with its objects from an instance on.
func riser(instance uint32, prefix string, from uint32) Device {
	return Device{Instance: instance, Name: fmt.Sprintf("Controller %d", instance), Objects: []Object{
		object(bacnet.AnalogInput, from+1, prefix+"Riser static pressure", 53, -45.2),
		object(bacnet.AnalogInput, from+2, prefix+"Motor power", 47, 210),
		object(bacnet.AnalogOutput, from+1, prefix+"Fan speed command", 98, 58.25),
		object(bacnet.AnalogValue, from+1, prefix+"Pressure setpoint", 53, -45),
		object(bacnet.AnalogValue, from+2, prefix+"Minimum speed", 98, 20),
		object(bacnet.BinaryInput, from+1, prefix+"High speed contact", 0, 0),
	}}
}

// points writes what was proposed: each point and the objects that may be it.
func points(m *ObjectMap) string {
	var all []string
	for _, c := range m.Chosen {
		var ids []string
		for _, one := range c.Choices {
			ids = append(ids, one.Object.ID.String())
		}
		all = append(all, c.Point.String()+" "+strings.Join(ids, "|"))
	}
	return strings.Join(all, "; ")
}

// unwrapped is a block with each comment on one line.
func unwrapped(block string) string { return strings.ReplaceAll(block, "\n#   ", " ") }

func TestObjectMapsOfOneFan(t *testing.T) {
	const usual = "pressure analog-input,1; speed analog-output,1; high_speed binary-input,1; setpoint analog-value,1; power analog-input,2; min_speed analog-value,2"
	if got := ObjectMaps([]Device{riser(1201, "", 0)}); len(got) != 1 || points(&got[0]) != usual || !got[0].Whole() {
		t.Fatalf("%s", points(&got[0]))
	}
	for _, c := range []struct {
		what   string
		change func(*Device)
		want   string // a part of what is proposed
		whole  bool
	}{
		{"a second speed that only follows", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.AnalogInput, 3, "Fan speed feedback", 98, 57))
		}, "speed analog-output,1;", true},
		{"two commands that fit alike", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.AnalogOutput, 2, "Drive speed command", 98, 57))
		}, "speed analog-output,1|analog-output,2;", false},
		{"the speed in revolutions", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.AnalogInput, 4, "Fan speed", 104, 812))
		}, "rpm analog-input,4;", true},
		{"a pressure in a unit of temperature", func(d *Device) { d.Objects[0].Unit = 62 }, "speed", false},
		{"a pressure without a unit", func(d *Device) { d.Objects[0].Unit = bacnet.NoUnits }, "pressure analog-input,1;", true},
		{"names that say nothing", func(d *Device) {
			for i := range d.Objects {
				d.Objects[i].Name = fmt.Sprintf("AI_%d", i)
			}
		}, "power analog-input,2", false},
		{"names in the descriptions", func(d *Device) {
			for i := range d.Objects {
				d.Objects[i].Name, d.Objects[i].Description = fmt.Sprintf("P%03d", i), d.Objects[i].Name
			}
		}, usual, true},
		{"names in one word", func(d *Device) {
			for i := range d.Objects {
				d.Objects[i].Name = strings.ReplaceAll(d.Objects[i].Name, " ", "_")
			}
			d.Objects[3].Name = "pressSetPoint"
		}, usual, true},
		{"the weather", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.AnalogInput, 90, "Outdoor air temperature", 62, 4))
		}, "outdoor_temperature analog-input,90;", true},
		{"two contacts of running", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.BinaryInput, 8, "Fan status", 0, 1), object(bacnet.BinaryInput, 9, "Run proof", 0, 1))
		}, "running binary-input,8; proof binary-input,9;", true},
		{"states with texts", func(d *Device) {
			o := object(bacnet.MultiStateInput, 1, "Fan status", 0, 2)
			o.States = []string{"Off", "Running", "Running at high speed"}
			d.Objects = append(d.Objects, o)
		}, "running multi-state-input,1;", true},
		{"states without texts", func(d *Device) {
			d.Objects = append(d.Objects, object(bacnet.MultiStateInput, 1, "Fan status", 0, 2))
		}, "high_speed binary-input,1; setpoint", true},
	} {
		d := riser(1201, "", 0)
		c.change(&d)
		got := ObjectMaps([]Device{d})
		if len(got) != 1 || !strings.Contains(points(&got[0])+";", c.want) || got[0].Whole() != c.whole {
			t.Errorf("%s: %s, whole %v", c.what, points(&got[0]), got[0].Whole())
		}
	}
}

// Devices whose objects are alike share a map, one that differs has its own, and
// what is not a fan's has none.
func TestObjectMapsOfManyDevices(t *testing.T) {
	other := riser(1203, "", 0)
	other.Objects[0].Unit = 58
	room := Device{Instance: 9, Name: "Room", Objects: []Object{object(bacnet.AnalogInput, 1, "Room temperature", 62, 21)}}
	maps := ObjectMaps([]Device{riser(1201, "EF-1 ", 0), riser(1202, "EF-2 ", 0), other, room})
	if len(maps) != 3 || len(maps[0].Fans) != 2 || maps[0].Fans[1].Device.Instance != 1202 || maps[1].Fans[0].Device.Instance != 1203 || maps[2].Whole() {
		t.Fatalf("%d maps: %+v", len(maps), maps)
	}
	block := maps[2].Block("nine")
	if strings.Contains(block, "\n[") || !strings.Contains(block, `# - analog-input,1 "Room temperature", 21 C`) {
		t.Error(block)
	}
}

// A device that stands for several fans has one map, and each fan its base.
func TestObjectMapsOfFansInOneDevice(t *testing.T) {
	d := riser(7, "EF-1 ", 0)
	d.Objects = append(d.Objects, riser(7, "EF-2 ", 10).Objects...)
	d.Objects = append(d.Objects, riser(7, "EF-3 ", 20).Objects...)
	d.Objects = append(d.Objects, object(bacnet.AnalogInput, 90, "Boiler return temperature", 777, 4))
	maps := ObjectMaps([]Device{d})
	if len(maps) != 1 || len(maps[0].Fans) != 3 || maps[0].Fans[1].Base != 10 || maps[0].Fans[2].Base != 20 || maps[0].Fans[2].Label != "ef 3" {
		t.Fatalf("%+v", maps)
	}
	if block := unwrapped(maps[0].Block("riser")); !strings.Contains(block, "unit = 7, base = 20 (ef 3): pressure -45.2 Pa, speed 58.25 %, high_speed inactive,") || !strings.Contains(block, "4 unit number 777, which fleet files do not know") ||
		strings.Count(block, "points.pressure]") != 1 {
		t.Error(block)
	}
	// One fan's object lies elsewhere: it has a map of its own.
	d.Objects[6+2].ID.Instance = 99
	if maps = ObjectMaps([]Device{d}); len(maps) != 2 || len(maps[0].Fans) != 2 || maps[1].Fans[0].Label != "ef 2" {
		t.Errorf("%+v", maps)
	}
}

func TestObjectBlock(t *testing.T) {
	d := riser(1201, "", 0)
	d.Lost = 2
	d.Objects[0].Flags.Fault, d.Objects[0].Reliability = true, 12
	d.Objects[5].Polarity = bacnet.Reverse
	states := object(bacnet.MultiStateInput, 1, "Fan status", 0, 2)
	states.States = []string{"Off", "Slow on", "Fast on"}
	d.Objects = append(d.Objects, states, object(bacnet.AnalogValue, 9, "Restart rise", 95, 30))
	block := unwrapped(ObjectMaps([]Device{d})[0].Block("riser"))
	for _, want := range []string{
		"[pointmaps.riser]\nprotocol = \"bacnet\"\n",
		"[pointmaps.riser.points.pressure]\nobject = \"analog-input,1\"\nunit = \"Pa\"\n",
		`# pressure is analog-input,1 "Riser static pressure", -45.2 Pa, flagged fault, communication failure: by its name, its unit and its kind.`,
		"[pointmaps.riser.points.speed]\nobject = \"analog-output,1\"\nunit = \"%\"\n",
		"[pointmaps.riser.points.high_speed]\nobject = \"binary-input,1\"\n", "inactive, of reverse polarity",
		"object = \"multi-state-input,1\"\nstates = [2, 3]\n", "2 of 3 (Slow on)",
		"# The object states no unit: Pa is a guess", "object = \"analog-value,9\"\nunit = \"Pa\"\n",
		"# [pointmaps.riser.points.force_speed]\n# object = \"analog-output,1\"\n# unit = \"%\"\n# priority = 10\n", "it said nothing of 2 more",
	} {
		if !strings.Contains(block, want) {
			t.Errorf("no %q in\n%s", want, block)
		}
	}
	forced := riser(1201, "", 0)
	forced.Objects = append(forced.Objects, object(bacnet.AnalogValue, 9, "Forced speed", 98, 0))
	if block := ObjectMaps([]Device{forced})[0].Block("riser"); !strings.Contains(block, "# object = \"analog-value,9\"\n# unit = \"%\"\n# priority = 10\n") {
		t.Error(block)
	}
	d.Objects = append(d.Objects, object(bacnet.AnalogOutput, 2, "Drive speed command", 98, 57))
	block = ObjectMaps([]Device{d})[0].Block("riser")
	if strings.Contains(block, "\n[") || !strings.Contains(block, "# [pointmaps.riser.points.speed]\n# object = \"analog-output,2\"") ||
		!strings.Contains(block, "no object is clearly the speed") {
		t.Error(block)
	}
}

func TestWordsAndLabels(t *testing.T) {
	for name, want := range map[string]string{
		"HiSpeed Set Point2": "hi speed set point 2 hispeed speedset setpoint point2",
		"EF1_RUN-ON":         "ef 1 run on ef1 1run runon",
		"VFD":                "vfd", "": "",
	} {
		if got := strings.Join(words(name), " "); got != want {
			t.Errorf("%q is %q, want %q", name, got, want)
		}
	}
	for name, want := range map[string]string{"EF-2 Riser static pressure": "ef 2", "Alder 3 Fan speed command": "alder 3", "Pressure Set Point": "",
		"EF-2 Run-on time": "ef 2"} {
		if got := label(name); got != want {
			t.Errorf("the label of %q is %q, want %q", name, got, want)
		}
	}
}
