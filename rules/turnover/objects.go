package turnover

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Object is what a BACnet device says of one of its objects.
type Object struct {
	ID          bacnet.ObjectID
	Name        string
	Description string
	States      []string // the texts of a multi-state object, the first for 1
	Says
}

// Device is a BACnet device with its objects.
type Device struct {
	Instance uint32
	Name     string
	At       string // where it stands on the network
	Objects  []Object
	Lost     int // objects of its list of which it said nothing
}

// Choice is one object that may be a point, with what speaks for it.
type Choice struct {
	Object  *Object
	Reasons []string
	score   float64
}

// Chosen is a point and the objects that may be it, the best one first. It is
// decided where the second is clearly worse.
type Chosen struct {
	Point   reading.Point
	Choices []Choice
	States  []int // of a multi-state object: those that count as closed
}

// Decided reports whether one object fits clearly better than the others.
func (c *Chosen) Decided() bool { return len(c.Choices) == 1 }

// ObjectMap is a point map of objects that one or several fans have.
type ObjectMap struct {
	Device *Device
	Chosen []Chosen // in the order of the points
	Spare  []*Object
	Fans   []ObjectFan
	label  string // what its objects' names have in common, where a device has several fans
}

// ObjectFan is a fan that a point map fits: its device, and what is added to each
// instance.
type ObjectFan struct {
	Device *Device
	Label  string
	Base   int
}

// Whole reports whether what every point map must have was decided.
func (m *ObjectMap) Whole() bool {
	return m.decided(reading.Speed) != nil &&
		(m.decided(reading.Pressure) != nil || m.decided(reading.Airflow) != nil || m.decided(reading.VelocityPressure) != nil)
}

func (m *ObjectMap) decided(p reading.Point) *Chosen {
	for i := range m.Chosen {
		if m.Chosen[i].Point == p && m.Chosen[i].Decided() {
			return &m.Chosen[i]
		}
	}
	return nil
}

// ObjectMaps proposes point maps from what the objects of devices say of
// themselves: their names, descriptions, units and kinds. Devices whose proposals
// are alike share one. It never chooses between two objects that fit alike.
func ObjectMaps(devices []Device) []ObjectMap {
	var maps []ObjectMap
	for i := range devices {
		for _, m := range fansOf(&devices[i]) {
			if same := slices.IndexFunc(maps, func(o ObjectMap) bool { return o.likeness() == m.likeness() }); same >= 0 && m.Whole() {
				maps[same].Fans = append(maps[same].Fans, m.Fans...)
				continue
			}
			maps = append(maps, m)
		}
	}
	return maps
}

// likeness is what two proposals must share to be one: each point's object and unit.
func (m *ObjectMap) likeness() string {
	var b strings.Builder
	for _, c := range m.Chosen {
		for _, one := range c.Choices {
			fmt.Fprintf(&b, "%s %s %v %v;", c.Point, one.Object.ID, one.Object.Unit, one.Object.Polarity)
		}
		fmt.Fprint(&b, c.States, "\n")
	}
	return b.String()
}

// fansOf proposes a map for each fan of a device: one, or one for each label that
// its objects' names have, where several labels have a fan's objects each.
func fansOf(d *Device) []ObjectMap {
	var all []*Object
	for i := range d.Objects {
		all = append(all, &d.Objects[i])
	}
	one := choose(d, all, "")
	labelled := make(map[string][]*Object)
	for _, o := range all {
		labelled[label(o.Name)] = append(labelled[label(o.Name)], o)
	}
	var several []ObjectMap
	for l, objects := range labelled {
		if m := choose(d, objects, l); l != "" && m.Whole() {
			several = append(several, m)
		}
	}
	if len(several) < 2 {
		return []ObjectMap{one}
	}
	slices.SortFunc(several, func(a, b ObjectMap) int { return cmp.Compare(a.lowest(), b.lowest()) })
	maps := shifted(several)
	for _, o := range all {
		if !slices.ContainsFunc(several, func(m ObjectMap) bool { return m.label == label(o.Name) }) {
			maps[0].Spare = append(maps[0].Spare, o)
		}
	}
	return maps
}

func (m *ObjectMap) lowest() uint32 {
	low := uint32(bacnet.AnyInstance)
	for _, c := range m.Chosen {
		low = min(low, c.Choices[0].Object.ID.Instance)
	}
	return low
}

// shifted makes one map of those whose objects lie all as far from the first one's.
func shifted(several []ObjectMap) []ObjectMap {
	var maps []ObjectMap
	for _, m := range several {
		fits := slices.IndexFunc(maps, func(first ObjectMap) bool { _, ok := first.distance(&m); return ok })
		if fits < 0 {
			maps = append(maps, m)
			continue
		}
		fan := m.Fans[0]
		fan.Base, _ = maps[fits].distance(&m)
		maps[fits].Fans = append(maps[fits].Fans, fan)
	}
	return maps
}

// distance returns by how much the instances of another fan's objects are higher,
// if that is one number and everything else is the same.
func (m *ObjectMap) distance(other *ObjectMap) (base int, alike bool) {
	if len(m.Chosen) != len(other.Chosen) {
		return 0, false
	}
	for i, c := range m.Chosen {
		o := other.Chosen[i]
		if c.Point != o.Point || !c.Decided() || !o.Decided() {
			return 0, false
		}
		a, b := c.Choices[0].Object, o.Choices[0].Object
		d := int(b.ID.Instance) - int(a.ID.Instance)
		if a.ID.Type != b.ID.Type || a.Unit != b.Unit || d <= 0 || i > 0 && d != base {
			return 0, false
		}
		base = d
	}
	return base, true
}

// choose finds for each point the objects that may be it.
func choose(d *Device, objects []*Object, l string) ObjectMap {
	m := ObjectMap{Device: d, Fans: []ObjectFan{{Device: d, Label: l}}, label: l}
	taken := make(map[*Object]bool)
	for _, r := range roles {
		var choices []Choice
		for _, o := range objects {
			if c := r.weigh(o); c.score >= enough {
				choices = append(choices, c)
			}
		}
		if len(choices) == 0 {
			continue
		}
		slices.SortStableFunc(choices, func(a, b Choice) int { return cmp.Compare(b.score, a.score) })
		best := choices[0].score
		choices = slices.DeleteFunc(choices, func(c Choice) bool { return c.score < best-near })
		chosen := Chosen{Point: r.point, Choices: choices}
		if choices[0].Object.ID.Type.MultiState() {
			chosen.States = closedStates(choices[0].Object)
		}
		for _, c := range choices {
			taken[c.Object] = true
		}
		m.Chosen = append(m.Chosen, chosen)
	}
	m.dropLesser()
	slices.SortStableFunc(m.Chosen, func(a, b Chosen) int { return int(a.Point) - int(b.Point) })
	for _, o := range objects {
		if !taken[o] {
			m.Spare = append(m.Spare, o)
		}
	}
	return m
}

// dropLesser leaves an object to the point for which most speaks.
func (m *ObjectMap) dropLesser() {
	best := make(map[*Object]float64)
	for _, c := range m.Chosen {
		for _, one := range c.Choices {
			best[one.Object] = max(best[one.Object], one.score)
		}
	}
	for i := range m.Chosen {
		m.Chosen[i].Choices = slices.DeleteFunc(m.Chosen[i].Choices, func(c Choice) bool { return c.score < best[c.Object] })
	}
	m.Chosen = slices.DeleteFunc(m.Chosen, func(c Chosen) bool { return len(c.Choices) == 0 })
}

// unit returns the object's unit as fleet files write it, and whether it is one of
// theirs.
func (o *Object) unit() (units.Unit, bool) {
	name, known := o.Unit.Name()
	if !o.HasUnit || !known || name == "" {
		return units.Unit{}, false
	}
	return units.Find(name)
}
