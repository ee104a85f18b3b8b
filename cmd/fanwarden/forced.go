package main

import (
	"fmt"
	"io"
	"strings"

	"fanwarden/cmd/fanwarden/internal/forced"
	"fanwarden/config"
)

// warnOfForced says which fans may have been left forced by an exercise, and what
// releases them.
func warnOfForced(w io.Writer, fleet *config.Fleet) {
	notes, err := forced.List(fleet.Store.Dir)
	if err != nil {
		fmt.Fprintln(w, err)
	}
	for _, n := range notes {
		fmt.Fprintf(w, "%s %s\n", n.Fan, n.Says())
		if !n.Alive {
			fmt.Fprintln(w, indented(forced.Advice(n.Fan, fleet)))
		}
	}
}

func indented(text string) string { return "  " + strings.ReplaceAll(text, "\n", "\n  ") }
