package config

import (
	"sort"

	"github.com/pelletier/go-toml/v2/unstable"
)

// place is where a key, a table or an element of an array stands in a TOML
// file. The decoder gives values without lines, and lines of syntax errors
// only, so the places come from a syntax tree of the same text.
type place struct {
	line    int
	implied bool // made by a longer name only, as `a` by [a.b]
	keys    map[string]*place
	elems   []*place
}

// key returns the place of a key below p, or p itself where the tree has none,
// so that there is a line in any case.
func (p *place) key(name string) *place {
	if below, found := p.keys[name]; found {
		return below
	}
	return &place{line: p.line}
}

func (p *place) elem(i int) *place {
	if i < len(p.elems) {
		return p.elems[i]
	}
	return &place{line: p.line}
}

// child returns the place of a key below p and makes it if there is none.
func (p *place) child(name string, line int) *place {
	below, found := p.keys[name]
	if !found {
		if p.keys == nil {
			p.keys = make(map[string]*place)
		}
		below = &place{line: line, implied: true}
		p.keys[name] = below
	}
	return below
}

// last returns the table that names below p mean: of an array of tables that
// is its last element.
func (p *place) last() *place {
	if n := len(p.elems); n > 0 {
		return p.elems[n-1]
	}
	return p
}

// descend follows a dotted name.
func (p *place) descend(names []string, line int) *place {
	for _, name := range names {
		p = p.child(name, line).last()
	}
	return p
}

// surveyor walks the syntax tree of one text.
type surveyor struct {
	parser unstable.Parser
	ends   []int // offset of every line feed
}

// survey returns the places of a text. The error is the parser's; its line is
// returned with it.
func survey(text []byte) (root *place, line int, err error) {
	s := &surveyor{ends: lineEnds(text)}
	s.parser.Reset(text)
	root = &place{line: 1}
	current := root
	last := 1
	for s.parser.NextExpression() {
		node := s.parser.Expression()
		names, at := s.name(node)
		if len(names) == 0 {
			continue
		}
		last = at
		switch node.Kind {
		case unstable.Table:
			current = root.descend(names[:len(names)-1], at).child(names[len(names)-1], at)
			if current.implied {
				current.line, current.implied = at, false
			}
			current = current.last()
		case unstable.ArrayTable:
			array := root.descend(names[:len(names)-1], at).child(names[len(names)-1], at)
			current = &place{line: at}
			array.elems = append(array.elems, current)
		case unstable.KeyValue:
			s.keyValue(current, node)
		}
	}
	return root, last, s.parser.Error()
}

func (s *surveyor) keyValue(below *place, node *unstable.Node) {
	names, at := s.name(node)
	if len(names) == 0 {
		return
	}
	leaf := below.descend(names[:len(names)-1], at).child(names[len(names)-1], at)
	leaf.implied = false
	s.value(leaf, node.Value())
}

// value enters what is inside inline tables and arrays.
func (s *surveyor) value(at *place, node *unstable.Node) {
	switch node.Kind {
	case unstable.InlineTable:
		for it := node.Children(); it.Next(); {
			if it.Node().Kind == unstable.KeyValue {
				s.keyValue(at, it.Node())
			}
		}
	case unstable.Array:
		for it := node.Children(); it.Next(); {
			elem := &place{line: at.line}
			if it.Node().Raw.Length > 0 {
				elem.line = s.line(it.Node())
			}
			s.value(elem, it.Node())
			at.elems = append(at.elems, elem)
		}
	}
}

// name returns the dotted name of a header or a key, and its line.
func (s *surveyor) name(node *unstable.Node) (names []string, line int) {
	if node.Kind != unstable.Table && node.Kind != unstable.ArrayTable && node.Kind != unstable.KeyValue {
		return nil, 0
	}
	for it := node.Key(); it.Next(); {
		if len(names) == 0 {
			line = s.line(it.Node())
		}
		names = append(names, string(it.Node().Data))
	}
	return names, line
}

func (s *surveyor) line(node *unstable.Node) int {
	return sort.SearchInts(s.ends, int(node.Raw.Offset)) + 1
}

func lineEnds(text []byte) []int {
	var ends []int
	for i, c := range text {
		if c == '\n' {
			ends = append(ends, i)
		}
	}
	return ends
}
