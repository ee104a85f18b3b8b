package config

import (
	"fmt"
	"maps"
	"slices"
	"unicode"
)

// names holds what a file has defined, by name, each with its first place.
type names[T any] map[string]named[T]

type named[T any] struct {
	thing T
	file  string
	line  int
}

// id returns the table's id, names the table after it, and reports one that is
// missing or cannot be used in metrics, addresses of pages and reports.
func (t *table) id(kind string) string {
	t.name = "a " + kind + " without an id"
	if !t.require("id", fmt.Sprintf("give the %s a short name that is its own, as in id = \"alder-1\"", kind)) {
		t.know("id")
		return ""
	}
	id := t.text("id", "")
	if id != "" {
		t.name = fmt.Sprintf("%s %q", kind, id)
	}
	if e := t.take("id"); e != nil && !goodID(id) && e.value == any(id) {
		t.fault("id", "the id cannot be used", "use letters, digits, '-', '_' and '.' only, a letter or digit first, 100 at most")
	}
	return id
}

func goodID(id string) bool {
	for i, c := range id {
		mark := c == '-' || c == '_' || c == '.'
		if !unicode.IsLetter(c) && !unicode.IsDigit(c) && (!mark || i == 0) || c == unicode.ReplacementChar {
			return false
		}
	}
	return id != "" && len(id) <= 100
}

// register enters a thing under its id and reports an id that is taken.
func register[T any](t *table, all names[T], kind, id string, thing T) bool {
	if id == "" {
		return false
	}
	if first, taken := all[id]; taken {
		where := fmt.Sprintf("line %d", first.line)
		if first.file != t.file {
			where = fmt.Sprintf("%s:%d", first.file, first.line)
		}
		t.fault("id", fmt.Sprintf("duplicate id: %s already has a %s of that name", where, kind), "give one of the two another id")
		return false
	}
	all[id] = named[T]{thing, t.file, t.line}
	return true
}

// refer returns the thing that a key names, and reports a name that is not
// there.
func refer[T any](t *table, all names[T], key, kind string) (thing T, ok bool) {
	e := t.take(key)
	if e == nil {
		return thing, false
	}
	name := t.text(key, "")
	if found, ok := all[name]; ok {
		return found.thing, true
	}
	if e.value == any(name) {
		t.fault(key, fmt.Sprintf("there is no %s %q", kind, name), Meant(name, slices.Sorted(maps.Keys(all))))
	}
	return thing, false
}
