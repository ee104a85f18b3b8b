package turnover

import (
	"fmt"
	"strconv"
	"strings"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
)

// Block writes the proposal as a block of a fleet file with its reasons, and what
// was not decided or not taken as comments. Where the proposal is not whole, it is
// comments only.
func (m *ObjectMap) Block(name string) string {
	var b strings.Builder
	for i, f := range m.Fans {
		text := f.says()
		if i > 0 {
			text += m.reads(&f)
		}
		comment(&b, text)
	}
	mark := ""
	if m.Whole() {
		fmt.Fprintf(&b, "[pointmaps.%s]\nprotocol = \"bacnet\"\n", name)
	} else {
		mark = "# "
		comment(&b, "No point map: "+m.lacks()+".")
	}
	for i := range m.Chosen {
		m.Chosen[i].write(&b, mark, name)
	}
	m.force(&b, name)
	if len(m.Spare) > 0 {
		b.WriteString("\n# Other objects:\n")
	}
	for _, o := range m.Spare {
		comment(&b, "- "+o.says())
	}
	return b.String()
}

// says writes a device or the fan of one.
func (f *ObjectFan) says() string {
	text := fmt.Sprintf("Device %d, %q, objects: %d. unit = %d", f.Device.Instance, f.Device.Name, len(f.Device.Objects), f.Device.Instance)
	if f.Base != 0 {
		text += fmt.Sprintf(", base = %d", f.Base)
	}
	if f.Label != "" {
		text += fmt.Sprintf(" (%s)", f.Label)
	}
	if f.Device.At != "" {
		text += ", at " + f.Device.At
	}
	if f.Device.Lost > 0 {
		text += fmt.Sprintf("; it said nothing of %d more", f.Device.Lost)
	}
	return text
}

// reads writes what another fan's objects held at the points of the map.
func (m *ObjectMap) reads(f *ObjectFan) string {
	var all []string
	for _, c := range m.Chosen {
		at := c.Choices[0].Object.ID
		at.Instance += uint32(f.Base)
		for i := range f.Device.Objects {
			if o := &f.Device.Objects[i]; c.Decided() && o.ID == at && o.Known {
				all = append(all, fmt.Sprintf("%s %s%s", c.Point, o.value(), o.flagged()))
			}
		}
	}
	if len(all) == 0 {
		return ""
	}
	return ": " + strings.Join(all, ", ")
}

// enumerate writes "a, b and c".
func enumerate(all []string) string {
	if n := len(all); n > 1 {
		return strings.Join(all[:n-1], ", ") + " and " + all[n-1]
	}
	return strings.Join(all, "")
}

func (m *ObjectMap) lacks() string {
	var lacks []string
	if m.decided(reading.Speed) == nil {
		lacks = append(lacks, "no object is clearly the speed")
	}
	if m.decided(reading.Pressure) == nil && m.decided(reading.Airflow) == nil && m.decided(reading.VelocityPressure) == nil {
		lacks = append(lacks, "none is clearly the pressure or airflow")
	}
	return strings.Join(lacks, ", and ")
}

// write writes a point: decided, or each of its choices as a comment.
func (c *Chosen) write(b *strings.Builder, mark, name string) {
	b.WriteString("\n")
	if !c.Decided() {
		comment(b, fmt.Sprintf("NOT DECIDED: %d objects may be %s. Keep one and delete the others:", len(c.Choices), c.Point))
		mark = "# "
	}
	for _, one := range c.Choices {
		o := one.Object
		comment(b, fmt.Sprintf("%s is %s: by %s.", c.Point, o.says(), enumerate(one.Reasons)))
		text := fmt.Sprintf("[pointmaps.%s.points.%s]\nobject = %q\n", name, c.Point, o.ID)
		switch unit, stated := o.unit(); {
		case c.States != nil:
			text += fmt.Sprintf("states = [%s]\n", strings.Trim(strings.Join(strings.Fields(fmt.Sprint(c.States)), ", "), "[]"))
		case c.Point.Contact():
		case stated:
			text += fmt.Sprintf("unit = %q\n", unit.Name)
		default:
			guess, why := c.unstated(o)
			comment(b, why)
			text += fmt.Sprintf("unit = %q\n", guess)
		}
		for line := range strings.Lines(text) {
			b.WriteString(mark + line)
		}
	}
}

// unstated proposes a unit for an object that states none.
func (c *Chosen) unstated(o *Object) (unit, why string) {
	unit = map[reading.Point]string{reading.RPM: "rpm", reading.Power: "W", reading.Energy: "kWh", reading.RunHours: "h",
		reading.Airflow: "L/s"}[c.Point]
	switch {
	case unit != "":
	case c.Point == reading.RunOn || c.Point == reading.StartDelay || c.Point == reading.HighSpeedDelay:
		unit = "s"
	case c.Point.Dimension() != reading.Speed.Dimension():
		if unit = "Pa"; o.Known && o.Value != 0 && o.Value > -5 && o.Value < 5 {
			unit = "inH2O"
		}
	case o.Known && o.Value > 1.5:
		unit = "%"
	default:
		unit = "ratio"
	}
	return unit, fmt.Sprintf("The object states no unit: %s is a guess from its size. Hold it against the controller's own display.", unit)
}

// force says which object an exercise could force the speed by, and leaves it to a
// person to say so: one that is named for it, or the output that the speed is.
func (m *ObjectMap) force(b *strings.Builder, name string) {
	speed := m.decided(reading.Speed)
	if speed == nil || !m.Whole() {
		return
	}
	var o *Object
	if read := speed.Choices[0].Object; read.ID.Type == bacnet.AnalogOutput {
		o = read // a value that is read need not be one that is taken
	}
	for _, other := range m.Spare {
		if w := words(other.Name); label(other.Name) == m.label && oneOf(w, "force|forced") && oneOf(w, "speed") && commandable(other) {
			o = other
		}
	}
	if o == nil {
		return
	}
	b.WriteString("\n")
	comment(b, fmt.Sprintf("%s %q can be commanded. If `turnover --exercise` may force the speed by it, take the comment marks away and choose a priority from 9 to 16 that is above the one at which the controller itself writes:", o.ID, o.Name))
	fmt.Fprintf(b, "# [pointmaps.%s.points.force_speed]\n# object = %q\n", name, o.ID)
	if unit, stated := o.unit(); stated {
		fmt.Fprintf(b, "# unit = %q\n", unit.Name)
	}
	b.WriteString("# priority = 10\n")
}

// commandable reports whether an object takes commands of a speed, as far as its kind
// says so.
func commandable(o *Object) bool {
	unit, stated := o.unit()
	return (o.ID.Type == bacnet.AnalogOutput || o.ID.Type == bacnet.AnalogValue) && (!stated || unit.Dimension == reading.ForceSpeed.Dimension())
}

// says writes an object with what it holds.
func (o *Object) says() string {
	text := fmt.Sprintf("%s %q", o.ID, o.Name)
	if o.Description != "" && o.Description != o.Name {
		text += fmt.Sprintf(" (%s)", o.Description)
	}
	if !o.Known {
		return text + ", no value"
	}
	return text + ", " + o.value() + o.flagged()
}

// value writes what an object holds in its own words.
func (o *Object) value() string {
	number := strconv.FormatFloat(o.Value, 'g', 6, 64)
	switch unit, known := o.Unit.Name(); {
	case o.ID.Type.MultiState() && o.Value >= 1 && int(o.Value) <= len(o.States):
		return fmt.Sprintf("%s of %d (%s)", number, len(o.States), o.States[int(o.Value)-1])
	case o.ID.Type.MultiState():
		return "state " + number
	case o.ID.Type.Binary():
		text := map[bool]string{true: "active", false: "inactive"}[o.Value != 0]
		if o.Polarity == bacnet.Reverse {
			text += ", of reverse polarity"
		}
		return text
	case !o.HasUnit || o.Unit == bacnet.NoUnits:
		return number
	case !known:
		return fmt.Sprintf("%s %s, which fleet files do not know", number, o.Unit)
	default:
		return number + " " + unit
	}
}

// ObjectsStillToVerify ends a list of proposals.
const ObjectsStillToVerify = `
# Names are what somebody typed, and no proof. Before anybody relies on it:
# - compare each value with what the controller itself shows;
# - open both tubes of the probe to the room: the pressure must read about zero;
# - let the fan run slow and fast: speed and contact must follow;
# - then add the fans with unit (and base) as said above, and let turnover prove them.
`
