package main

import (
	"fmt"
	"io"
	"math"
	"text/tabwriter"
)

// printRows prints rows for people.
func printRows(w io.Writer, rows []row) {
	table := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "row\tours\ttheirs\tunit\tratio\tspread\taim\t\twhat, beside what")
	for i := range rows {
		r := &rows[i]
		aim, met := "", ""
		if r.Aim != nil {
			aim, met = r.Aim.String(), "missed"
			if *r.Met {
				met = "met"
			}
		}
		fmt.Fprintf(table, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s, beside %s\n", r.Name, number(r.Ours), number(r.Theirs), r.Unit,
			number(r.Ratio), number(r.Spread), aim, met, r.What, r.Beside)
	}
	table.Flush()
}

// number writes a figure with three digits that count, or all of a large one.
func number(v float64) string {
	switch size := math.Abs(v); {
	case v == 0 || math.IsNaN(v) || math.IsInf(v, 0):
		return fmt.Sprintf("%.0f", v)
	case size >= 10_000:
		return fmt.Sprintf("%.0f", v)
	case size >= 100:
		return fmt.Sprintf("%.0f", v)
	case size >= 10:
		return fmt.Sprintf("%.1f", v)
	case size >= 0.1:
		return fmt.Sprintf("%.2f", v)
	}
	return fmt.Sprintf("%.3g", v)
}
