package main

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
)

// scripted is a side that brings given figures, one a run, and notes its turns.
func scripted(turns *[]string, who string, values ...float64) side {
	i := 0
	return func(context.Context) (figures, error) {
		*turns = append(*turns, who)
		i++
		return figures{"r": values[i-1]}, nil
	}
}

func TestSidesTakeTurnsAndTheMedianCounts(t *testing.T) {
	c := contest{rows: []row{{Name: "r", Aim: &aim{Of: "ratio", Most: 1.5}}}}
	var turns []string
	rows, err := c.run(t.Context(), scripted(&turns, "ours", 3, 90, 4), scripted(&turns, "theirs", 2, 30, 2), 3)
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"ours", "theirs", "theirs", "ours", "ours", "theirs"}; !slices.Equal(turns, want) {
		t.Errorf("turns %v, want %v", turns, want)
	}
	r := rows[0]
	if r.Ours != 4 || r.Theirs != 2 || r.Ratio != 2 || r.Spread != 2 { // ratios 1.5, 3 and 2
		t.Errorf("row %+v", r)
	}
	if r.Met == nil || *r.Met {
		t.Error("a ratio of 2 is not at most 1.5")
	}
	if c.rows[0].Ratio != 0 {
		t.Error("the contest's own rows were changed")
	}
}

func TestAims(t *testing.T) {
	for _, test := range []struct {
		aim         aim
		ours, ratio float64
		met         bool
		says        string
	}{
		{aim{Of: "ratio", Most: 1.05}, 9, 1.05, true, "<= 1.05"},
		{aim{Of: "ratio", Most: 1.05}, 0, 1.06, false, "<= 1.05"},
		{aim{Of: "ratio", Least: 1}, 0, 0.99, false, ">= 1.00"},
		{aim{Of: "ratio", Least: 1}, 0, 1, true, ">= 1.00"},
		{aim{Of: "ours", Most: 150}, 149, 9, true, "ours <= 150"},
		{aim{Of: "ours", Least: 2e6}, 1e6, 9, false, "ours >= 2000000"},
	} {
		r := row{Ours: test.ours, Ratio: test.ratio}
		if test.aim.met(&r) != test.met || test.aim.String() != test.says {
			t.Errorf("%+v of %+v: met %v, says %q", test.aim, r, test.aim.met(&r), test.aim.String())
		}
	}
}

func TestWhatCannotBeComparedIsAnError(t *testing.T) {
	c := contest{rows: []row{{Name: "r"}}}
	var turns []string
	if _, err := c.run(t.Context(), scripted(&turns, "ours", 1), scripted(&turns, "theirs", 0), 1); err == nil {
		t.Error("1 beside 0 has a ratio")
	}
	rows, err := c.run(t.Context(), scripted(&turns, "ours", 0), scripted(&turns, "theirs", 0), 1)
	if err != nil || rows[0].Ratio != 1 {
		t.Errorf("nothing beside nothing: %v, %v", rows, err)
	}
	failing := func(context.Context) (figures, error) { return nil, errors.New("the server is gone") }
	if _, err := c.run(t.Context(), failing, scripted(&turns, "theirs", 1), 1); err == nil {
		t.Error("a side that failed was counted")
	}
}

func TestMedian(t *testing.T) {
	for _, test := range []struct {
		values []float64
		want   float64
	}{{[]float64{3}, 3}, {[]float64{9, 1}, 5}, {[]float64{9, 1, 2}, 2}, {[]float64{4, 1, 3, 2}, 2.5}} {
		if got := median(test.values); got != test.want {
			t.Errorf("median of %v is %v, want %v", test.values, got, test.want)
		}
	}
	if m := median(nil); m == m {
		t.Errorf("median of nothing is %v", m)
	}
}

func TestTableForPeople(t *testing.T) {
	met := true
	var out strings.Builder
	printRows(&out, []row{{Name: "poll1-cpu", What: "CPU a reading", Beside: "C", Unit: "us", Ours: 16.04, Theirs: 12.3, Ratio: 1.304, Spread: 1.1,
		Aim: &aim{Of: "ratio", Most: 1.5}, Met: &met}, {Name: "history", Ours: 2345678, Theirs: 0.0123, Ratio: 123}})
	for _, want := range []string{"poll1-cpu  16.0     12.3    us    1.30   1.10    <= 1.50  met  CPU a reading, beside C", "2345678", "0.0123"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("no %q in\n%s", want, out.String())
		}
	}
}
