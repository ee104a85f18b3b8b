package config

import (
	"fmt"
	"math"
	"strings"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// The keys that a point has in maps of one protocol only.
var (
	modbusPointKeys = []string{"table", "address", "register", "type", "order", "bit"}
	bacnetPointKeys = []string{"object", "property", "index", "states", "device_unit", "priority"}
)

// maxInstance is the highest instance of a device or an object; the one above it
// names what one does not know (clause 12).
const maxInstance = bacnet.AnyInstance - 1

// strangers reports keys of the other protocol's points.
func (t *table) strangers(of, here string, keys []string, remedy string) {
	for _, key := range keys {
		if t.has(key) {
			t.fault(key, fmt.Sprintf("%s is for %s point maps, and this one is for %s", key, of, here), remedy)
			t.take(key)
		}
	}
}

// objectPoint reads one point of a BACnet point map.
func (t *table) objectPoint(p reading.Point, stride int) (MappedPoint, bool) {
	before := len(t.reader.faults)
	m := MappedPoint{Point: p}
	t.strangers("Modbus", "BACnet", modbusPointKeys, `remove it, and write object = "analog-input,3"`)
	found := t.object(&m)
	m.Stride = t.integer("stride", stride, 0, maxInstance)
	m.Shared = t.boolean("shared", false)
	m.Device = t.integer("device", 0, 1, maxInstance)
	m.Encoding = decode.Encoding{Type: decode.Float32, Bit: decode.NoBit, Scale: 1}
	if p.Contact() {
		m.Encoding.Type = decode.Bool
	}
	m.Encoding.Invert = t.boolean("invert", false)
	if m.Encoding.Invert && !p.Contact() {
		t.fault("invert", fmt.Sprintf("%s is not a contact, so it cannot be inverted", p), "remove invert; a sign is turned by scale = -1")
	}
	m.Encoding.Invalid = t.singles(p)
	t.scaled(&m.Encoding, p)
	t.statedUnit(&m)
	t.states(&m, found)
	t.priority(&m, found)
	return m, len(t.reader.faults) == before
}

// object reads which property holds the point, and reports whether it is known.
func (t *table) object(m *MappedPoint) bool {
	const remedy = `write the kind, a comma and the instance, as in object = "analog-input,3"`
	m.Object.Property = bacnet.PresentValue
	t.property(m)
	if !t.require("object", remedy) {
		t.know("object")
		return false
	}
	text := t.text("object", "")
	e := t.take("object")
	if e == nil || e.value != any(text) {
		return false
	}
	object, ok := bacnet.ParseObject(text)
	if !ok {
		t.fault("object", fmt.Sprintf("the object %q cannot be read", text), objectRemedy(text, remedy))
		return false
	}
	m.Object.Object = object
	present := m.Object.Property == bacnet.PresentValue && !m.Object.Indexed
	switch {
	case object.Type == bacnet.DeviceObject && present:
		t.fault("object", "a device has no present value", "write its property beside it, or another object")
	case object.Type.Binary() && present && !m.Point.Contact() && m.Point != reading.Heartbeat:
		t.fault("object", fmt.Sprintf("%s is a value, and a %s is on or off", m.Point, object.Type), "name an analog object")
	}
	return true
}

// objectRemedy helps where the kind of an object is misspelt.
func objectRemedy(text, remedy string) string {
	kind, _, comma := strings.Cut(text, ",")
	kind = strings.TrimSpace(kind)
	if _, known := bacnet.FindObjectType(kind); comma && !known {
		return Meant(kind, bacnet.ObjectTypeNames())
	}
	return remedy + fmt.Sprintf("; instances go from 0 to %d", maxInstance)
}

// property reads which property of the object it is.
func (t *table) property(m *MappedPoint) {
	if m.Object.Indexed = t.has("index"); m.Object.Indexed {
		m.Object.Index = uint32(t.integer("index", 0, 0, math.MaxInt32))
	} else {
		t.know("index")
	}
	e := t.take("property")
	if e == nil {
		return
	}
	name := fmt.Sprint(e.value)
	if _, isFloat := e.value.(float64); isFloat {
		name = ""
	}
	found, known := bacnet.FindProperty(name)
	switch {
	case !known:
		t.fault("property", fmt.Sprintf("the property %s is not known", show(e.value)), Meant(name, bacnet.PropertyNames())+" (or the number of a property)")
		return
	case found.Text():
		t.fault("property", fmt.Sprintf("%s is no number, so it cannot be %s", found, m.Point), "remove it: the present value is what is read")
		return
	case found == bacnet.PriorityArray && !m.Object.Indexed:
		t.fault("property", "a priority array is sixteen values", "write index = 1 to 16 beside it, or read the present value")
		return
	}
	m.Object.Property = found
}

// singles reads the numbers by which a device says "no value", as their words.
func (t *table) singles(p reading.Point) (raw []uint32) {
	entry := t.take("invalid")
	if entry == nil {
		return nil
	}
	list, ok := entry.value.([]any)
	if !ok {
		list = []any{entry.value}
	}
	if p.Contact() && len(list) > 0 {
		t.fault("invalid", "a contact has no number that could mean \"no value\"", "remove invalid; its status flags say what it is worth")
		return nil
	}
	for _, value := range list {
		number, isFloat := value.(float64)
		whole, isWhole := value.(int64)
		if isWhole {
			number = float64(whole)
		}
		if !isFloat && !isWhole || math.IsNaN(number) || math.IsInf(number, 0) {
			t.fault("invalid", fmt.Sprintf("%s is not a number that a device could give", show(value)), "write numbers as the device gives them")
			continue
		}
		raw = append(raw, math.Float32bits(float32(number)))
	}
	return raw
}

// statedUnit reads the unit that a device states and does not give its values in.
func (t *table) statedUnit(m *MappedPoint) {
	if !t.has("device_unit") {
		t.know("device_unit")
		return
	}
	name := t.text("device_unit", "")
	if m.Point.Dimension() == units.Plain {
		t.fault("device_unit", fmt.Sprintf("%s has no unit, whatever its device states", m.Point), "remove it")
		return
	}
	stated, known := bacnet.FindUnits(name)
	if e := t.take("device_unit"); !known && e != nil && e.value == any(name) {
		t.fault("device_unit", fmt.Sprintf("%q is not a unit that is known", name),
			`write the unit as the warning or "fanwarden points" names it, as in "inH2O"`)
	}
	m.DeviceUnit, m.HasDeviceUnit = stated, known
}

// states reads which states of a multi-state object count as closed.
func (t *table) states(m *MappedPoint, found bool) {
	multi := found && m.Object.Object.Type.MultiState() && m.Object.Property == bacnet.PresentValue
	entry := t.take("states")
	switch {
	case entry == nil && !t.has("states") && m.Point.Contact() && multi:
		t.fault("", fmt.Sprintf("%s is a contact, and nothing says at which states of the object it is closed", m.Point), "write their numbers, as in states = [2, 3]")
	case entry == nil:
		return
	case !m.Point.Contact():
		t.fault("states", fmt.Sprintf("%s is not a contact, so it has no states", m.Point), "remove states")
		return
	case found && !multi:
		t.fault("states", "only a multi-state object has states", "remove states")
		return
	}
	if entry == nil {
		return
	}
	list, ok := entry.value.([]any)
	for _, value := range list {
		n, whole := value.(int64)
		ok = ok && whole && n >= 1 && n <= math.MaxUint32
		m.States = append(m.States, uint32(n)) //nolint:gosec // what does not fit is a fault below
	}
	if !ok || len(list) == 0 {
		t.fault("states", fmt.Sprintf("\"states\" cannot be %s", show(entry.value)), "write the numbers of the states at which it is closed, from 1, as in states = [2, 3]")
	}
}

// priority reads the priority that an output is commanded at. Those above 9 are
// of life safety, of critical equipment and of people (clause 19.2).
func (t *table) priority(m *MappedPoint, found bool) {
	if !m.Point.Output() {
		if t.has("priority") {
			t.fault("priority", fmt.Sprintf("%s is read only, and a priority is for what is written", m.Point), "remove priority")
		}
		t.take("priority")
		return
	}
	if t.require("priority", "write the priority to command it at, from 9 to 16, as the operators of the building allow it") {
		m.Priority = uint8(t.integer("priority", 0, 9, 16))
	} else {
		t.know("priority")
	}
	if found && (m.Object.Object.Type.Input() || m.Object.Property != bacnet.PresentValue || m.Object.Indexed) {
		t.fault("object", "what is measured, or is no present value, cannot be commanded", "name the output or value object that takes the command, without a property")
	}
}
