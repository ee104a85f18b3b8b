package config

import (
	"fmt"
	"strings"
)

// nearest returns the name that somebody who wrote a wrong one most likely
// meant, or "" where none is near.
func nearest(wrong string, names []string) string {
	if name := misspelt(wrong, names); name != "" {
		return name
	}
	for _, name := range names { // a beginning of the name, or more than the name
		if len(wrong) >= shortest && len(name) >= shortest && (strings.HasPrefix(name, wrong) || strings.HasPrefix(wrong, name)) {
			return name
		}
	}
	return ""
}

// shortest is how long a beginning must be to tell what was meant.
const shortest = 4

// misspelt returns the name that differs from a wrong one by a few letters.
func misspelt(wrong string, names []string) string {
	best, least := "", 1+max(1, len(wrong)/3)
	for _, name := range names {
		if d := distance(strings.ToLower(wrong), strings.ToLower(name)); d < least {
			best, least = name, d
		}
	}
	return best
}

// Meant is a remedy for a wrong name: the nearest one, or all if they are few.
func Meant(wrong string, names []string) string {
	if near := nearest(wrong, names); near != "" {
		return fmt.Sprintf("did you mean %q?", near)
	}
	switch {
	case len(names) == 0:
		return "there is none in the file yet"
	case len(names) > 12:
		return fmt.Sprintf("write one of the %d that there are, such as %s", len(names), quoted(names[:3]))
	}
	return "write one of " + quoted(names)
}

func quoted(names []string) string {
	marked := make([]string, len(names))
	for i, name := range names {
		marked[i] = fmt.Sprintf("%q", name)
	}
	return strings.Join(marked, ", ")
}

// distance counts the letters to change, add, drop or swap with a neighbour to
// come from a to b.
func distance(a, b string) int {
	const longest = 64
	if len(a) > longest || len(b) > longest {
		return longest
	}
	rows := make([][]int, len(a)+1)
	for i := range rows {
		rows[i] = make([]int, len(b)+1)
		rows[i][0] = i
	}
	for j := range rows[0] {
		rows[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			change := 1
			if a[i-1] == b[j-1] {
				change = 0
			}
			d := min(rows[i-1][j]+1, rows[i][j-1]+1, rows[i-1][j-1]+change)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d = min(d, rows[i-2][j-2]+1)
			}
			rows[i][j] = d
		}
	}
	return rows[len(a)][len(b)]
}
