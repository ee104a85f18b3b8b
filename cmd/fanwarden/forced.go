package main

import (
	"fmt"
	"io"
	"strings"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/config"
)

// warnOfForced says which fans may have been left forced by an exercise, and what
// releases them; any is false if none was.
func warnOfForced(w io.Writer, fleet *config.Fleet) (any bool) {
	notes, err := forced.List(fleet.Store.Dir)
	if err != nil {
		fmt.Fprintln(w, err)
	}
	for _, n := range notes {
		fmt.Fprintf(w, "%s %s\n", n.Fan, n.Says())
		if !n.Alive {
			any = true
			fmt.Fprintln(w, indented(forced.Advice(n.Fan, fleet)))
		}
	}
	return any
}

func indented(text string) string { return "  " + strings.ReplaceAll(text, "\n", "\n  ") }
