package config

import (
	"strings"
	"testing"
)

// TestPlaces marks the key or the header of each line that is expected, and
// looks its place up by its path.
func TestPlaces(t *testing.T) {
	text := strings.Join([]string{
		`top = 1`,                          // 1
		`[a.b]`,                            // 2
		`c.d = 2`,                          // 3
		`e = { f = 1, "g h" = { i = 2 } }`, // 4
		`[[list]]`,                         // 5
		`x = 1`,                            // 6
		`[list.sub]`,                       // 7
		`y = 1`,                            // 8
		`[[list]]`,                         // 9
		`[list.sub]`,                       // 10
		`y = 2`,                            // 11
		`[[list.inner]]`,                   // 12
		`z = """`,                          // 13
		`two lines"""`,                     // 14
		`[[list.inner]]`,                   // 15
		`tables = [`,                       // 16
		`  { k = 1 },`,                     // 17
		`  { k = 2 },`,                     // 18
		`]`,                                // 19
		`[a]`,                              // 20
		`last = 1`,                         // 21
	}, "\r\n")
	root, _, err := survey([]byte(text))
	if err != nil {
		t.Fatal(err)
	}
	list := func(i int) *place { return root.key("list").elem(i) }
	for name, c := range map[string]struct {
		at   *place
		line int
	}{
		"top":               {root.key("top"), 1},
		"a.b":               {root.key("a").key("b"), 2},
		"a.b.c.d":           {root.key("a").key("b").key("c").key("d"), 3},
		"inline":            {root.key("a").key("b").key("e").key("g h").key("i"), 4},
		"list 0":            {list(0), 5},
		"list 0 x":          {list(0).key("x"), 6},
		"list 0 sub":        {list(0).key("sub"), 7},
		"list 0 sub y":      {list(0).key("sub").key("y"), 8},
		"list 1":            {list(1), 9},
		"list 1 sub y":      {list(1).key("sub").key("y"), 11},
		"list 1 inner 0 z":  {list(1).key("inner").elem(0).key("z"), 13},
		"list 1 inner 1":    {list(1).key("inner").elem(1), 15},
		"element 1 k":       {list(1).key("inner").elem(1).key("tables").elem(1).key("k"), 18},
		"a, after its part": {root.key("a"), 20},
		"a.last":            {root.key("a").key("last"), 21},
		"absent":            {list(1).key("nothing"), 9},
		"absent element":    {list(7), 5},
	} {
		if c.at.line != c.line {
			t.Errorf("%s: line %d, want %d", name, c.at.line, c.line)
		}
	}
}
