package turnover

import (
	"bytes"
	"encoding/csv"
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var update = flag.Bool("update", false, "write the golden files anew")

func TestCSVGolden(t *testing.T) {
	var got bytes.Buffer
	r := recorded(t, "imperial", "name = \"=HYPERLINK(1)\"\nlocation = \"roof\"")
	r.SHA256, r.RetestOf.SHA256 = "the hash", "the first hash" // others with every word of a record
	if err := WriteCSV(&got, r); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", "record.csv")
	if *update {
		if err := os.WriteFile(path, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil || !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%v\n%s", err, got.Bytes())
	}
	rows, err := csv.NewReader(&got).ReadAll()
	if err != nil || len(rows) != 7 || rows[1][2] != "'=HYPERLINK(1)" {
		t.Errorf("%v %v", err, rows)
	}
}

func TestNoCellIsAFormula(t *testing.T) {
	for text, want := range map[string]string{
		"Bath riser A": "Bath riser A", "": "", "a=b": "a=b", "=1+1": "'=1+1", "+1": "'+1", "-1": "'-1", "@SUM(A1)": "'@SUM(A1)",
		"\t=1": "' =1", "|calc": "'|calc", "%0A": "'%0A", "＝1": "'＝1", "\u00a0@x": "'\u00a0@x", "\ufeff=1": "'\ufeff=1", "a\u202eb": "a b",
	} {
		if got := cell(text); got != want {
			t.Errorf("%q becomes %q, want %q", text, got, want)
		}
	}
}

func TestBaseUnits(t *testing.T) {
	for in, want := range map[string]string{"inH2O": "Pa", "%": "ratio", "cfm": "m3/s", "min": "s", "kW": "W", "": ""} {
		if got := base(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// A unit stands as it is; a text that is none is no formula either.
func TestUnitsAreNoFormulas(t *testing.T) {
	for in, want := range map[string]string{"%": "%", "Pa": "Pa", "": "", "=1": "'=1"} {
		if got := unit(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}

// A row says what its point was at the first test, also where that has not changed.
func TestRowTellsTheFirstVerdict(t *testing.T) {
	r := recorded(t, "metric", "")
	for i, want := range []string{"fail", "pass"} {
		if hash, was := r.first(&r.Points[i]); hash != r.RetestOf.SHA256 || was != want {
			t.Errorf("point %d: %q %q, want %q", i, hash, was, want)
		}
	}
	r.RetestOf.Doubt = "it was changed"
	if hash, was := r.first(&r.Points[0]); hash == "" || was != "" {
		t.Errorf("%q %q", hash, was)
	}
	if hash, was := (&Record{}).first(&r.Points[0]); hash+was != "" {
		t.Errorf("%q %q", hash, was)
	}
}

func TestFigureIsNoZero(t *testing.T) {
	v := 1e-7
	if figure(nil) != "" || figure(&v) != "0.0000001" {
		t.Error(figure(nil), figure(&v))
	}
}
