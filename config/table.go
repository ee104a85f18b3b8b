package config

import (
	"fmt"
	"slices"
	"sort"
	"strings"
)

// reader collects what is wrong while a fleet file is read.
type reader struct {
	faults []Fault
	asked  map[string]map[string]bool // section → keys that were asked for
}

func (r *reader) add(file string, line int, what, remedy string) {
	r.faults = append(r.faults, Fault{File: file, Line: max(line, 1), What: what, Remedy: remedy})
}

// sorted returns the faults by file and line, each once.
func (r *reader) sorted() []Fault {
	sort.SliceStable(r.faults, func(i, j int) bool {
		a, b := r.faults[i], r.faults[j]
		if a.File != b.File {
			return a.File < b.File
		}
		if a.Line != b.Line {
			return a.Line < b.Line
		}
		return a.What < b.What
	})
	return slices.Compact(r.faults)
}

// table is one table of the fleet file, or one row of its roster. Whatever in
// it nobody took in the end is an unknown key.
type table struct {
	reader  *reader
	file    string
	line    int
	section string // its kind, as people write it: "[[fans]]"
	name    string // what it speaks of, for messages: `fan "alder-ef1"`
	cells   bool   // values are the text of spreadsheet cells
	entries map[string]*entry
	asked   []string
}

// entry is the value of one key. A value is a string, an int64, a float64, a
// bool, a time.Time, a list, a *table or a []*table.
type entry struct {
	value any
	line  int
	used  bool
}

// broken reports that the value's own syntax is reported already.
func (e *entry) broken() bool { return e.value == any(unreadable) }

// table makes one of a decoded map.
func (r *reader) table(file string, values map[string]any, at *place) *table {
	t := &table{reader: r, file: file, line: at.line, entries: make(map[string]*entry, len(values))}
	for key, value := range values {
		if strings.HasPrefix(key, brokenTable) {
			continue
		}
		below := at.key(key)
		t.entries[key] = &entry{value: r.value(file, value, below), line: below.line}
	}
	return t
}

func (r *reader) value(file string, value any, at *place) any {
	switch value := value.(type) {
	case map[string]any:
		return r.table(file, value, at)
	case []map[string]any:
		tables := make([]*table, len(value))
		for i, v := range value {
			tables[i] = r.table(file, v, at.elem(i))
		}
		return tables
	}
	return value
}

// as names the table for messages and for its section's keys.
func (t *table) as(section, name string) *table {
	t.section, t.name = section, name
	return t
}

// fault reports something wrong with a key, or with the whole table where key
// is "" or absent.
func (t *table) fault(key, what, remedy string) {
	if t.name != "" {
		what = t.name + ": " + what
	}
	t.reader.add(t.file, t.lineOf(key), what, remedy)
}

// lineOf returns the line of a key, or the table's where it is absent.
func (t *table) lineOf(key string) int {
	if e, found := t.entries[key]; found {
		return e.line
	}
	return t.line
}

// has reports whether the key is given, well or badly.
func (t *table) has(key string) bool {
	_, found := t.entries[key]
	return found
}

// take returns a key's entry and counts the key as known; nil where it is
// absent or its fault is reported already.
func (t *table) take(key string) *entry {
	t.know(key)
	e, found := t.entries[key]
	if !found {
		return nil
	}
	e.used = true
	if e.broken() {
		return nil
	}
	return e
}

func (t *table) know(key string) {
	t.asked = append(t.asked, key)
	if t.reader.asked != nil {
		if t.reader.asked[t.section] == nil {
			t.reader.asked[t.section] = make(map[string]bool)
		}
		t.reader.asked[t.section][key] = true
	}
}

// require reports a key that must be given and is not, and returns whether it
// is given.
func (t *table) require(key, remedy string) bool {
	if t.has(key) {
		return true
	}
	for other := range t.entries {
		if misspelt(other, []string{key}) != "" {
			return false // it is there under a wrong name, which is reported as such
		}
	}
	t.fault("", fmt.Sprintf("%q is missing", key), remedy)
	return false
}

// sub returns the table below a key, or nil.
func (t *table) sub(key string) *table {
	e := t.take(key)
	if e == nil {
		return nil
	}
	below, ok := e.value.(*table)
	if !ok {
		t.fault(key, fmt.Sprintf("%q must be a table", key), fmt.Sprintf("write it once, as [%s]", t.path(key)))
	}
	return below
}

// subs returns the elements of an array of tables.
func (t *table) subs(key string) []*table {
	e := t.take(key)
	if e == nil {
		return nil
	}
	list, ok := e.value.([]*table)
	if empty, isList := e.value.([]any); !ok && (!isList || len(empty) > 0) {
		t.fault(key, fmt.Sprintf("%q must be a list of tables", key),
			fmt.Sprintf("write [[%s]] with two brackets before each of them", t.path(key)))
	}
	return list
}

func (t *table) path(key string) string {
	if t.section == "" {
		return key
	}
	return strings.Trim(t.section, "[]") + "." + key
}

// named returns the tables below t by name, in the order of the file.
func (t *table) named() (names []string, tables []*table) {
	for key := range t.entries {
		names = append(names, key)
	}
	sort.Slice(names, func(i, j int) bool {
		a, b := t.entries[names[i]].line, t.entries[names[j]].line
		return a < b || a == b && names[i] < names[j]
	})
	kept := names[:0]
	for _, name := range names {
		if below := t.sub(name); below != nil {
			kept, tables = append(kept, name), append(tables, below)
		}
	}
	return kept, tables
}

// finish reports the keys that nobody took.
func (t *table) finish() {
	for key, e := range t.entries {
		if e.used || t.cells { // a roster's columns are checked once, at its header
			continue
		}
		where := t.section
		if where == "" {
			where = "the top level of the fleet file"
		}
		remedy := "remove it, or correct its name"
		if near := nearest(key, t.asked); near != "" {
			remedy = fmt.Sprintf("did you mean %q?", near)
		} else if key == "roster" {
			remedy = "move it above the first table of the file"
		}
		t.fault(key, fmt.Sprintf("%q is not a key of %s", key, where), remedy)
	}
}

// origin returns the place of the table and of its keys.
func (t *table) origin() origin {
	o := origin{file: t.file, line: t.line, keys: make(map[string]int, len(t.entries))}
	for key, e := range t.entries {
		if e.line != t.line {
			o.keys[key] = e.line
		}
	}
	return o
}
