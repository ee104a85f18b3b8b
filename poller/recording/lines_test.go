package recording

import (
	"bufio"
	"encoding/csv"
	"errors"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// FuzzLines compares rows, their lines and errors with those of encoding/csv.
func FuzzLines(f *testing.F) {
	for _, text := range []string{"", "a,b\n1,2\n", "a\r\n\r\n,\n", "a,b\r", "\r", "a\n\nb,\"c\nd\",e\nf", "x,\"y\nz", "a\"b\nc\n", ",,\n\n\n\"\"\n",
		"a\n" + strings.Repeat("1,", 4000) + "\nb\n"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		want := csv.NewReader(strings.NewReader(text))
		want.FieldsPerRecord = -1
		got := &lines{in: bufio.NewReaderSize(strings.NewReader(text), 4096)}
		for {
			cells, err := want.Read()
			mine, mistake := got.read()
			var cut, cutToo *csv.ParseError
			if errors.As(err, &cut) != errors.As(mistake, &cutToo) || cut != nil && cut.StartLine != cutToo.StartLine {
				t.Fatalf("%q: error %v, want %v", text, mistake, err)
			}
			if cut != nil {
				continue
			}
			if err != mistake || !slices.Equal(cells, mine) {
				t.Fatalf("%q: %q, %v; want %q, %v", text, mine, mistake, cells, err)
			}
			if err == io.EOF {
				return
			}
			if line, _ := want.FieldPos(0); line != got.at() {
				t.Fatalf("%q: line %d, want %d", text, got.at(), line)
			}
		}
	})
}

// Numbers that are read in a quicker way are those that strconv reads.
func FuzzFloat(f *testing.F) {
	for _, cell := range []string{"0", "-0", "0.45300000000000007", "-33.87609176", "1.5", ".5", "5.", "-", ".", "1e3", "+1", "123456789012345", "1234567890123456",
		"0.000000000000001", "99999999999999.9", "1_0", "--1", "1.2.3", "NaN", "-.5", "9007199254740993"} {
		f.Add(cell)
	}
	f.Fuzz(func(t *testing.T, cell string) {
		want, err := strconv.ParseFloat(cell, 64)
		good := err == nil && !math.IsNaN(want) && !math.IsInf(want, 0)
		got, ok := float(cell)
		if ok != good || ok && math.Float64bits(got) != math.Float64bits(want) {
			t.Errorf("%q is %v (%v); strconv says %v (%v)", cell, got, ok, want, err)
		}
	})
}
