package config

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

var tableNames = []string{"holding", "input", "coil", "discrete"}

// point reads one point of a Modbus point map.
func (t *table) point(p reading.Point, stride int) (MappedPoint, bool) {
	before := len(t.reader.faults)
	m := MappedPoint{Point: p}
	t.strangers("BACnet", "Modbus", bacnetPointKeys, `write table and address, or protocol = "bacnet" in the map`)
	tableGiven := t.place(&m)
	m.Stride = t.integer("stride", stride, 0, maxAddress)
	m.Shared = t.boolean("shared", false)
	m.Device = t.integer("device", 0, 1, 255)
	if tableGiven {
		m.Encoding = t.encoding(p, m.Table)
	} else {
		for _, key := range []string{"type", "order", "bit", "scale", "offset", "unit", "invalid", "invert"} {
			t.take(key)
		}
	}
	return m, len(t.reader.faults) == before
}

// place reads the table and the address, which may be given as the address on
// the wire or as manuals number registers; it reports whether the table is
// known.
func (t *table) place(m *MappedPoint) bool {
	name := t.choice("table", "", tableNames...)
	given := t.has("table")
	if found, ok := decode.FindTable(name); ok {
		m.Table = found
	} else if given {
		t.take("address")
		t.take("register")
		return false
	}
	address, register := t.has("address"), t.has("register")
	switch {
	case address && register:
		t.fault("register", "the address is given twice, as address and as register", "keep one of the two")
		t.take("address")
		t.take("register")
	case register:
		if !t.register(m, given) {
			return given
		}
		given = true
	case address:
		t.know("register")
		m.Address = t.integer("address", 0, 0, maxAddress)
	default:
		t.know("address")
		t.know("register")
		t.fault("", "the point has no address", "give it address = 0 (from 0, as on the wire) or register = 30001 (as manuals number)")
	}
	if !given {
		t.fault("", `"table" is missing`, "write table = and one of "+quoted(tableNames))
	}
	return given
}

// digits gives the table of the first digit of a five or six digit register.
var digits = map[byte]decode.Table{'0': decode.Coil, '1': decode.Discrete, '3': decode.Input, '4': decode.Holding}

// register reads an address as manuals number it: 40001 and 400001 are address
// 0 of the holding registers; a number of fewer digits counts from 1 within the
// table. A coil's leading zeros need quotes.
func (t *table) register(m *MappedPoint, tableGiven bool) bool {
	e := t.take("register")
	if e == nil {
		return false
	}
	text := strings.TrimSpace(fmt.Sprint(e.value))
	n, err := strconv.Atoi(text)
	_, isFloat := e.value.(float64)
	if err != nil || isFloat || n < 0 || len(text) > 6 || strings.ContainsAny(text, "+-") {
		t.fault("register", fmt.Sprintf("the register %s cannot be read", show(e.value)), `write a number, as in 30001 or "000001", or use address`)
		return false
	}
	if len(text) >= 5 {
		implied, known := digits[text[0]]
		if !known {
			t.fault("register", fmt.Sprintf("no table has the digit %c of register %s", text[0], text),
				"write 0 (coil), 1 (discrete), 3 (input) or 4 (holding) first, or use address")
			return false
		}
		if tableGiven && implied != m.Table {
			t.fault("register", fmt.Sprintf("register %s is of the table %s, and table says %s", text, implied, m.Table),
				"correct one of the two")
			return false
		}
		m.Table, tableGiven = implied, true
		n, _ = strconv.Atoi(text[1:])
	}
	if n < 1 || n > maxAddress+1 {
		t.fault("register", fmt.Sprintf("register %s does not exist; registers count from 1 to %d", text, maxAddress+1), "use address to count from 0")
		return false
	}
	m.Address = n - 1
	return tableGiven || t.fewDigits(text)
}

func (t *table) fewDigits(text string) bool {
	t.fault("register", fmt.Sprintf("register %s does not say its table", text), "write table = and one of "+quoted(tableNames)+", or all five digits")
	return false
}

// encoding reads how the words become a value.
func (t *table) encoding(p reading.Point, from decode.Table) decode.Encoding {
	e := decode.Encoding{Bit: decode.NoBit, Scale: 1}
	if t.has("bit") {
		if from.Bits() {
			t.fault("bit", fmt.Sprintf("a %s has no bits to pick from", from), "remove bit, or read a register")
		}
		e.Bit = t.integer("bit", 0, 0, 15)
	} else {
		t.know("bit")
	}
	t.typed(&e, p, from)
	order, _ := decode.FindOrder(t.choice("order", "ABCD", "ABCD", "CDAB", "BADC", "DCBA"))
	e.Order = order
	e.Invalid = t.markers(e, from)
	e.Invert = t.boolean("invert", false)
	if e.Invert && !p.Contact() {
		t.fault("invert", fmt.Sprintf("%s is not a contact, so it cannot be inverted", p), "remove invert; a sign is turned by scale = -1")
	}
	t.scaled(&e, p)
	return e
}

// typed reads the type and holds it against the table and the point.
func (t *table) typed(e *decode.Encoding, p reading.Point, from decode.Table) {
	def := ""
	if from.Bits() {
		def = "bool"
	} else if e.Bit != decode.NoBit {
		def = "uint16"
	}
	if !t.has("type") && def == "" {
		t.require("type", "write int16, uint16, int32, uint32 or float32 (a contact in a register: bool, or a bit)")
		t.know("type")
		return
	}
	name := t.choice("type", def, "bool", "int16", "uint16", "int32", "uint32", "float32")
	found, known := decode.FindType(name)
	if !known {
		return
	}
	e.Type = found
	oneBit := e.Type == decode.Bool || e.Bit != decode.NoBit
	switch {
	case from.Bits() && e.Type != decode.Bool:
		t.fault("type", fmt.Sprintf("a %s is one bit and cannot be %s", from, e.Type), "remove type, or read a register")
	case e.Bit != decode.NoBit && e.Type.Words() > 1:
		t.fault("type", fmt.Sprintf("a bit cannot be picked from %s", e.Type), "pick it from a uint16 word")
	case p.Contact() && !oneBit && e.Type.Words() == 1:
		e.Type = decode.Bool // any word but 0 is closed
	case p.Contact() && !oneBit:
		t.fault("type", fmt.Sprintf("%s is a contact and cannot be %s", p, e.Type), "write type = \"bool\" (any word but 0 is closed), or pick a bit")
	case !p.Contact() && oneBit && p != reading.Heartbeat:
		t.fault(either(t, "bit", "table"), fmt.Sprintf("%s is a value and cannot be one bit", p), "read a register, with a type of int16, uint16, int32, uint32 or float32")
	}
}

// markers reads the raw words that mean "no value".
func (t *table) markers(e decode.Encoding, from decode.Table) []uint32 {
	entry := t.take("invalid")
	if entry == nil {
		return nil
	}
	list, ok := entry.value.([]any)
	if !ok {
		list = []any{entry.value}
	}
	bits := uint(16 * e.Type.Words())
	low, high := int64(0), int64(1)<<bits-1
	if e.Type == decode.Int16 || e.Type == decode.Int32 {
		low = -1 << (bits - 1)
	}
	if from.Bits() && len(list) > 0 {
		t.fault("invalid", fmt.Sprintf("a %s has no word that could mean \"no value\"", from), "remove invalid")
		return nil
	}
	var raw []uint32
	for _, value := range list {
		n, ok := value.(int64)
		if !ok || n < low || n > high {
			t.fault("invalid", fmt.Sprintf("%s is not a word of type %s", show(value), e.Type),
				fmt.Sprintf("write whole numbers from %d to %d (0x7FFF is a way to write one)", low, high))
			continue
		}
		raw = append(raw, uint32(n)&uint32(high)) //nolint:gosec // the two's complement is meant
	}
	return raw
}

// scaled reads scale, offset and unit.
func (t *table) scaled(e *decode.Encoding, p reading.Point) {
	plain := p.Dimension() == units.Plain
	for _, key := range []string{"scale", "offset", "unit"} {
		if plain && t.has(key) {
			t.fault(key, fmt.Sprintf("%s is %s and has no %s", p, map[bool]string{true: "a contact", false: "a plain word"}[p.Contact()], key), "remove it")
		}
	}
	e.Scale, e.Offset = t.number("scale", 1), t.number("offset", 0)
	if e.Scale == 0 || math.Abs(e.Scale) < 1e-300 {
		t.fault("scale", "a scale of 0 makes every value the same", "write what one count is worth in the point's unit")
	}
	wanted := wantedUnits(p)
	if !plain {
		t.require("unit", "write what a value is measured in: "+strings.Join(wanted, ", "))
	}
	name := t.text("unit", "")
	if plain || name == "" && !t.has("unit") {
		return
	}
	unit, known := units.Find(name)
	for _, good := range wanted {
		if known && good == name {
			e.Unit = unit
			return
		}
	}
	what := fmt.Sprintf("%q is not a unit that is known", name)
	if known {
		what = fmt.Sprintf("%s is a unit of %s, and the point wants %s", name, unit.Dimension, dimensions(p))
	}
	if e := t.take("unit"); e != nil && e.value == any(name) {
		t.fault("unit", what, "write one of "+strings.Join(wanted, ", "))
	}
}

// wantedUnits lists the units that a point may have. Speeds may come in rpm,
// and the setpoint of a fan that controls airflow is a flow.
func wantedUnits(p reading.Point) []string {
	names := units.Names(p.Dimension())
	switch {
	case p == reading.Setpoint:
		names = append(names, units.Names(units.Flow)...)
	case p.Dimension() == units.Ratio:
		names = append(names, units.Names(units.Rotation)...)
	}
	return names
}

func dimensions(p reading.Point) string {
	if p == reading.Setpoint {
		return "pressure or airflow"
	}
	return p.Dimension().String()
}
