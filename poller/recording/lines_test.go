package recording

import (
	"bufio"
	"encoding/csv"
	"errors"
	"io"
	"slices"
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
