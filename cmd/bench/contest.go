package main

import (
	"context"
	"fmt"
	"maps"
	"math"
	"slices"
)

// figures are what one run of one side brought, by the names of the rows.
type figures map[string]float64

// side runs once and measures.
type side func(ctx context.Context) (figures, error)

// contest is one thing that two sides do. It brings one or several rows.
type contest struct {
	name    string // as --rows takes it
	needs   string // programs beside Go, for the help
	rows    []row
	prepare func(ctx context.Context, b *bench) (ours, theirs side, err error)
}

// row is one line of the table.
type row struct {
	Name   string  `json:"name"`
	What   string  `json:"what"`   // is measured
	Beside string  `json:"beside"` // what: the other side
	Unit   string  `json:"unit"`
	Ours   float64 `json:"ours"`
	Theirs float64 `json:"theirs"`
	Ratio  float64 `json:"ratio"`  // ours to theirs
	Spread float64 `json:"spread"` // of the ratios: the largest to the smallest
	Aim    *aim    `json:"aim,omitempty"`
	Met    *bool   `json:"met,omitempty"`
}

// aim is what a row is to come to.
type aim struct {
	Of    string  `json:"of"` // "ratio" or "ours"
	Least float64 `json:"least,omitempty"`
	Most  float64 `json:"most,omitempty"` // 0: no bound
}

func (a *aim) met(r *row) bool {
	value := r.Ratio
	if a.Of == "ours" {
		value = r.Ours
	}
	return value >= a.Least && (a.Most == 0 || value <= a.Most)
}

func (a *aim) String() string {
	of := ""
	if a.Of == "ours" {
		of = "ours "
	}
	if a.Most > 0 {
		return fmt.Sprintf("%s<= %s", of, number(a.Most))
	}
	return fmt.Sprintf("%s>= %s", of, number(a.Least))
}

// run runs both sides in turn and fills in the rows. Every second time the
// other side comes first, so that neither always finds the caches warm.
func (c *contest) run(ctx context.Context, ours, theirs side, runs int) ([]row, error) {
	mine, other := make([]figures, runs), make([]figures, runs)
	for i := range runs {
		one := func(s side, into *figures) (err error) { *into, err = s(ctx); return err }
		first := func() error { return one(ours, &mine[i]) }
		second := func() error { return one(theirs, &other[i]) }
		if i%2 == 1 {
			first, second = second, first
		}
		for _, step := range []func() error{first, second} {
			if err := step(); err != nil {
				return nil, err
			}
		}
	}
	rows := slices.Clone(c.rows)
	for i := range rows {
		if err := rows[i].fill(mine, other); err != nil {
			return nil, err
		}
	}
	return rows, nil
}

func (r *row) fill(mine, other []figures) error {
	var a, b, ratios []float64
	for i := range mine {
		x, known := mine[i][r.Name]
		y, too := other[i][r.Name]
		if !known || !too || y <= 0 && x != y {
			return fmt.Errorf("row %s: %v of ours and %v of theirs cannot be compared", r.Name, x, y)
		}
		ratio := 1.0
		if y != 0 {
			ratio = x / y
		}
		a, b, ratios = append(a, x), append(b, y), append(ratios, ratio)
	}
	r.Ours, r.Theirs, r.Ratio = median(a), median(b), median(ratios)
	if least := slices.Min(ratios); least > 0 {
		r.Spread = slices.Max(ratios) / least
	}
	if r.Aim != nil {
		met := r.Aim.met(r)
		r.Met = &met
	}
	return nil
}

// sortedKeys are the keys of a map in their order.
func sortedKeys(m map[float64]float64) []float64 { return slices.Sorted(maps.Keys(m)) }

// median is the middle value, or the mean of the middle two; NaN of none.
func median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	sorted := slices.Sorted(slices.Values(values))
	n := len(sorted)
	return (sorted[(n-1)/2] + sorted[n/2]) / 2
}
