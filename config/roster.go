package config

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"fanwarden/rules/condition"
)

// roster reads the spreadsheet of fans: one table a row, with the keys of
// [[fans]] from its header.
func (a *assembly) roster(root *table, name string) []*table {
	if name == "" {
		if e := root.take("roster"); e != nil && e.value == any("") {
			root.fault("roster", "the roster has no name", `name the spreadsheet, as in roster = "fans.csv", or remove the key`)
		}
		return nil
	}
	path := a.beside(name)
	text, err := a.open(path)
	if err != nil {
		root.fault("roster", fmt.Sprintf("the roster cannot be read: %v", err), "name a CSV file; its path is relative to the fleet file")
		return nil
	}
	return a.rows(path, text)
}

// rows reads the text of a roster.
func (r *reader) rows(path string, text []byte) []*table {
	text = bytes.TrimPrefix(text, []byte("\xef\xbb\xbf"))
	in := csv.NewReader(bytes.NewReader(text))
	in.FieldsPerRecord = -1
	header, err := in.Read()
	if err != nil {
		if errors.Is(err, io.EOF) {
			r.add(path, 1, "the roster is empty", "write a header with the keys of [[fans]], and one fan a row")
		} else {
			r.csvFault(path, err)
		}
		return nil
	}
	line, _ := in.FieldPos(0)
	if len(header) == 1 && strings.ContainsAny(header[0], ";\t\x00") {
		r.add(path, line, "the cells are not separated by commas, or the text is not UTF-8",
			"save the spreadsheet as CSV with commas, in UTF-8")
		return nil
	}
	header = r.header(path, line, header)
	if header == nil {
		return nil
	}
	var rows []*table
	for {
		cells, err := in.Read()
		if errors.Is(err, io.EOF) {
			return rows
		}
		if err != nil {
			r.csvFault(path, err)
			continue
		}
		if row := r.row(path, in, header, cells); row != nil {
			rows = append(rows, row)
		}
	}
}

// csvFault reports a row that is no CSV. A quote that is never closed takes
// all rows behind it along.
func (r *reader) csvFault(path string, err error) {
	var parse *csv.ParseError
	line, what := 1, err.Error()
	if errors.As(err, &parse) {
		line, what = parse.StartLine, parse.Err.Error()
	}
	r.add(path, line, "the row cannot be read: "+what,
		`put a cell that has quotes or commas in quotes, and write a quote inside it twice ("")`)
}

// header checks the roster's first row; nil where its columns cannot be told
// apart.
func (r *reader) header(path string, line int, header []string) []string {
	good := true
	for i, key := range header {
		key = strings.TrimSpace(key)
		header[i] = key
		switch {
		case key == "":
			r.add(path, line, fmt.Sprintf("column %d of the roster has no name", i+1), "name it after a key of [[fans]], or remove the column")
			good = false
		case slices.Contains(header[:i], key):
			r.add(path, line, fmt.Sprintf("the roster has two columns %q", key), "remove one of them")
			good = false
		}
	}
	for i, key := range header {
		for _, other := range header[:i] {
			if strings.HasPrefix(key, other+".") || strings.HasPrefix(other, key+".") {
				r.add(path, line, fmt.Sprintf("the columns %q and %q cannot stand side by side", other, key), "remove one of them")
				good = false
			}
		}
	}
	if !good {
		return nil
	}
	known := fanKeys()
	for _, key := range header {
		if !slices.Contains(known, key) {
			r.add(path, line, fmt.Sprintf("%q is not a key of [[fans]]", key), columnRemedy(key, known))
		}
	}
	return header
}

func columnRemedy(key string, known []string) string {
	if near := nearest(key, known); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	return "correct its name or remove the column"
}

// fanKeys lists what a column may be called: the keys that a fan is asked for,
// and those of its rules with their dotted names.
func fanKeys() []string {
	a := newAssembly(&reader{asked: make(map[string]map[string]bool)}, "", nil)
	a.fan(&table{reader: a.reader})
	keys := slices.Sorted(maps.Keys(a.asked["[[fans]]"]))
	keys = slices.DeleteFunc(keys, func(key string) bool { return key == "rules" })
	for _, d := range condition.Catalogue() {
		if d.Scope == condition.OfGateway {
			continue
		}
		prefix := "rules." + string(d.Name) + "."
		keys = append(keys, prefix+"enabled", prefix+"hold", prefix+"severity")
		for _, p := range d.Own {
			keys = append(keys, prefix+p.Key)
		}
	}
	return keys
}

// row makes the table of one row; nil where it is empty.
func (r *reader) row(path string, in *csv.Reader, header, cells []string) *table {
	line, _ := in.FieldPos(0)
	if strings.TrimSpace(strings.Join(cells, "")) == "" {
		return nil
	}
	if len(cells) != len(header) {
		r.add(path, line, fmt.Sprintf("the row has %d cells, and the header has %d", len(cells), len(header)),
			"add or remove commas; a text with a comma in it must stand in quotes")
		return nil
	}
	t := &table{reader: r, file: path, line: line, cells: true, entries: make(map[string]*entry)}
	for i, cell := range cells {
		if cell = strings.TrimSpace(cell); cell == "" {
			continue
		}
		at, _ := in.FieldPos(i)
		t.put(strings.Split(header[i], "."), cell, at)
	}
	return t
}

// put enters a cell under a dotted name.
func (t *table) put(names []string, cell string, line int) {
	if len(names) == 1 {
		t.entries[names[0]] = &entry{value: cell, line: line}
		return
	}
	e, found := t.entries[names[0]]
	if !found {
		e = &entry{line: line, value: &table{reader: t.reader, file: t.file, line: line, cells: true, entries: make(map[string]*entry)}}
		t.entries[names[0]] = e
	}
	if below, ok := e.value.(*table); ok {
		below.put(names[1:], cell, line)
	}
}
