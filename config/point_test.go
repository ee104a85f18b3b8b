package config

import (
	"fmt"
	"strings"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// onePoint reads a point of a map from the text of its table.
func onePoint(point, text string) (MappedPoint, []Fault) {
	r := &reader{}
	root := r.readTOML("map.toml", []byte(text))
	if root == nil {
		return MappedPoint{}, r.faults
	}
	p, _ := reading.FindPoint(point)
	m, _ := root.point(p, 0)
	root.finish()
	return m, r.sorted()
}

// Modbus numbers registers from 1 and addresses on the wire from 0 (Modbus
// Application Protocol V1.1b3, section 4.4); the leading digit for the table is
// the custom of manuals.
func TestRegisterNumbers(t *testing.T) {
	for _, c := range []struct {
		text    string
		table   decode.Table
		address int
	}{
		{`register = 30001`, decode.Input, 0},
		{`register = 300001`, decode.Input, 0},
		{`register = 40108`, decode.Holding, 107},
		{`register = 465536`, decode.Holding, 65535},
		{`register = 400001`, decode.Holding, 0},
		{`register = "000020"`, decode.Coil, 19},
		{`register = "00001"`, decode.Coil, 0},
		{`register = 10197`, decode.Discrete, 196},
		{`register = 108` + "\ntable = \"holding\"", decode.Holding, 107},
		{`register = 9999` + "\ntable = \"input\"", decode.Input, 9998},
		{`register = "0001"` + "\ntable = \"coil\"", decode.Coil, 0},
		{`register = 30001` + "\ntable = \"input\"", decode.Input, 0},
	} {
		text := c.text
		if !c.table.Bits() {
			text += "\ntype = \"uint16\""
		}
		m, faults := onePoint("running", text)
		if len(faults) > 0 || m.Table != c.table || m.Address != c.address {
			t.Errorf("%q: %s %d, %v", c.text, m.Table, m.Address, faults)
		}
	}
}

func TestWrongRegisterNumbers(t *testing.T) {
	for _, text := range []string{`20001`, `466000`, `400000`, `40000`, `4000001`, `-5`, `"+40001"`, `"40 001"`, `40001.0`, `true`, `[40001]`, `""`, `99999`} {
		_, faults := onePoint("pressure", "table = \"holding\"\ntype = \"int16\"\nunit = \"Pa\"\nregister = "+text)
		if len(faults) != 1 || faults[0].Line != 4 {
			t.Errorf("%s: %v", text, faults)
		}
	}
}

func TestWordsThatMeanNoValue(t *testing.T) {
	for _, c := range []struct{ kind, words, want string }{
		{"int16", "[-32768, 0x7FFF, 65535]", "[32768 32767 65535]"},
		{"uint16", "[65535]", "[65535]"},
		{"uint16", "65534", "[65534]"},
		{"int32", "[-1, -2147483648, 4294967295]", "[4294967295 2147483648 4294967295]"},
		{"uint32", "[4294967295]", "[4294967295]"},
		{"float32", "[0x7FC00000]", "[2143289344]"},
		{"float32", "[]", "[]"},
	} {
		m, faults := onePoint("pressure", fmt.Sprintf("table = \"input\"\naddress = 0\nunit = \"Pa\"\ntype = %q\ninvalid = %s", c.kind, c.words))
		if got := fmt.Sprint(m.Encoding.Invalid); len(faults) > 0 || got != c.want {
			t.Errorf("%s %s: %s, %v", c.kind, c.words, got, faults)
		}
	}
	for _, c := range []struct{ kind, word string }{{"int16", "65536"}, {"uint16", "-1"}, {"uint32", "4294967296"}, {"int32", "-2147483649"}, {"float32", "-1"}, {"float32", "nan"}, {"uint16", `"65535"`}} {
		_, faults := onePoint("pressure", fmt.Sprintf("table = \"input\"\naddress = 0\nunit = \"Pa\"\ntype = %q\ninvalid = [%s]", c.kind, c.word))
		if len(faults) != 1 || !strings.Contains(faults[0].What, "is not a word of type "+c.kind) {
			t.Errorf("%s %s: %v", c.kind, c.word, faults)
		}
	}
}

func TestContactsAndTheirTypes(t *testing.T) {
	for _, c := range []struct {
		point, text string
		kind        decode.Type
		bit         int
	}{
		{"high_speed", `table = "coil"`, decode.Bool, decode.NoBit},
		{"high_speed", `table = "holding"` + "\ntype = \"bool\"", decode.Bool, decode.NoBit},
		{"high_speed", `table = "holding"` + "\ntype = \"uint16\"", decode.Bool, decode.NoBit},
		{"high_speed", `table = "holding"` + "\nbit = 15", decode.Uint16, 15},
		{"heartbeat", `table = "holding"` + "\ntype = \"uint32\"", decode.Uint32, decode.NoBit},
		{"heartbeat", `table = "discrete"`, decode.Bool, decode.NoBit},
	} {
		m, faults := onePoint(c.point, "address = 1\n"+c.text)
		if len(faults) > 0 || m.Encoding.Type != c.kind || m.Encoding.Bit != c.bit || m.Encoding.Scale != 1 {
			t.Errorf("%s %q: %+v, %v", c.point, c.text, m.Encoding, faults)
		}
	}
}
