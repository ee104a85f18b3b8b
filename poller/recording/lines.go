package recording

import (
	"bufio"
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"unsafe"
)

// lines reads rows of cells as encoding/csv does (RFC 4180), which recordings
// of millions of rows would spend most of their time in: up to the first
// quotation mark a row is a line and its cells lie between commas. From there on,
// and from a line on that is longer than the buffer, encoding/csv reads.
type lines struct {
	in     *bufio.Reader
	cells  []string
	line   int // lines read before the quotation mark
	quoted *csv.Reader
}

// read returns the cells of the next row that is not empty. They lie in the
// buffer, and are valid until the next call: what is kept of them is cloned.
func (l *lines) read() ([]string, error) {
	for l.quoted == nil {
		text, err := l.in.ReadSlice('\n')
		switch {
		case err == bufio.ErrBufferFull || bytes.IndexByte(text, '"') >= 0:
			l.quote(text)
			continue
		case err != nil && (err != io.EOF || len(text) == 0):
			return nil, err
		}
		l.line++
		text = bytes.TrimSuffix(bytes.TrimSuffix(text, []byte("\n")), []byte("\r"))
		if len(text) > 0 {
			return l.split(unsafe.String(&text[0], len(text))), nil
		}
	}
	cells, err := l.quoted.Read()
	var cut *csv.ParseError
	if errors.As(err, &cut) {
		cut.StartLine += l.line
	}
	return cells, err
}

// quote lets encoding/csv read from a line on.
func (l *lines) quote(text []byte) {
	l.quoted = csv.NewReader(io.MultiReader(bytes.NewReader(slices.Clone(text)), l.in))
	l.quoted.ReuseRecord, l.quoted.FieldsPerRecord = true, -1
}

// split finds the cells between commas. They are short, so that looking at one
// byte after the other is faster than searching for each comma.
func (l *lines) split(row string) []string {
	cells, begin := l.cells[:0], 0
	for i := range len(row) {
		if row[i] == ',' {
			cells, begin = append(cells, row[begin:i]), i+1
		}
	}
	l.cells = append(cells, row[begin:])
	return l.cells
}

// at is the line that the last row began in, from 1.
func (l *lines) at() int {
	if l.quoted == nil {
		return l.line
	}
	line, _ := l.quoted.FieldPos(0)
	return l.line + line
}
