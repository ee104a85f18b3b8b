package turnover

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	parser "github.com/BurntSushi/toml"

	"fanwarden/poller/bacnet"
)

// FuzzRecall takes anything for a record. What can be read of it can be printed,
// without becoming a part of the page; what passes for sealed is written again as
// it was.
func FuzzRecall(f *testing.F) {
	r := recorded(f, "imperial", "")
	r.Course = nil // too long to be changed to any purpose
	r.Seal()
	whole, err := json.Marshal(r)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Add(bytes.Replace(whole, []byte("J. Doe"), []byte(`</td><script>alert(1)</script>`), 1))
	for _, text := range []string{`{"format":1}`, `{"format":1,"points":[{}],"exercise":{"course":[{"at":"x"}]}}`, `{"format":1,"fan":{"id":"\u0000"},"began":"9999-12-31T23:59:59Z"}`,
		`[]`, `null`, `{"format":1,"points":[{"value":1e999}]}`} {
		f.Add([]byte(text))
	}
	tags := strings.Count(printed(f, r), "<script")
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := Recall(data)
		if r == nil {
			if err == nil {
				t.Fatal("neither a record nor an error")
			}
			return
		}
		page := printed(t, r)
		if !utf8.ValidString(page) || strings.Count(page, "<script") != tags || strings.Contains(page, "ZgotmplZ") {
			t.Errorf("%q spoils the sheet", data)
		}
		if err := WriteCSV(&bytes.Buffer{}, r); err != nil {
			t.Error(err)
		}
		r.Verdict()
		r.Baseline()
		if err != nil {
			return
		}
		again, err := json.Marshal(r)
		if back, bad := Recall(again); err != nil || bad != nil || back.SHA256 != r.SHA256 {
			t.Errorf("%q is sealed, and written again it is not: %v %v", data, err, bad)
		}
	})
}

// printed is the sheet of a record.
func printed(t testing.TB, r *Record) string {
	var b bytes.Buffer
	if err := (&Sheet{Records: []*Record{r}, Zone: time.UTC}).Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// FuzzObjectMaps lets devices say anything of their objects: of names nothing comes
// into a proposal but words in comments and in quotation marks.
func FuzzObjectMaps(f *testing.F) {
	one := func(fields ...string) string { return strings.Join(fields, "\x1f") }
	f.Add("AHU-1", strings.Join([]string{one("0", "EF-1 Duct Static", "pressure", "inches-of-water"), one("1", "EF-1 Speed Cmd", "", "percent"),
		one("3", "EF-1 Status", "running", "")}, "\x1e"))
	f.Add("roof", strings.Join([]string{one("0", "EF1.SP", "static", "pascals"), one("1", "EF1.SPD", "", "percent"), one("0", "EF2.SP", "static", "pascals"),
		one("1", "EF2.SPD", "", "percent"), one("19", "mode", "off\nauto", "")}, "\x1e"))
	f.Add("a\n[fans]\n", strings.Join([]string{one("0", "x]\n[[fans]]\nid = 1 pressure", "\u2028\x00\"", "pascals"), one("1", "x]\nspeed", "", "percent")}, "\x1e"))
	f.Fuzz(func(t *testing.T, name, text string) {
		var devices []Device
		for k := range 2 {
			d := Device{Instance: uint32(k), Name: name}
			for i, o := range strings.Split(text, "\x1e") {
				d.Objects = append(d.Objects, objectOf(uint32(i), strings.Split(o, "\x1f")))
			}
			devices = append(devices, d)
		}
		maps := ObjectMaps(devices)
		for i := range maps {
			proposal(t, &maps[i])
		}
	})
}

// objectOf is an object of so many fields: kind, name, description, unit.
func objectOf(instance uint32, fields []string) Object {
	fields = append(fields, "", "", "", "")
	kind := bacnet.ObjectType(0)
	if fields[0] != "" {
		kind = bacnet.ObjectType(fields[0][0] - '0')
	}
	o := Object{ID: bacnet.ObjectID{Type: kind, Instance: instance}, Name: fields[1], Description: fields[2]}
	if strings.Contains(fields[2], "\n") {
		o.States = strings.Split(fields[2], "\n")
	}
	o.Unit, o.HasUnit = bacnet.FindUnits(fields[3])
	return o
}

// proposal holds a block against what it may be: a single table of point maps, or
// comments only.
func proposal(t *testing.T, m *ObjectMap) {
	block := m.Block("device-1")
	var file map[string]any
	if _, err := parser.Decode(block, &file); err != nil {
		t.Fatalf("%v in\n%s", err, block)
	}
	if len(file) > 1 || len(file) == 1 && file["pointmaps"] == nil || len(file) == 0 == m.Whole() {
		t.Fatalf("%v comes out of\n%s", file, block)
	}
	for _, r := range block {
		if r != '\n' && r != '\t' && (r < ' ' || r == 0x7F) {
			t.Fatalf("%q comes out of\n%q", r, block)
		}
	}
}
