package recording

import (
	"bufio"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strings"

	"fanwarden/poller/reading"
)

// Reader reads recorded readings. It reuses its memory: a row costs no
// allocation.
type Reader struct {
	file    string
	rows    lines
	columns []column
	clock   clock
	fans    map[string]int  // their places in order
	order   []reading.FanID // the fans as they came first
	turn    int             // whose turn it is, in order
	failed  error
}

// Error is what is wrong with a recording: the place, what, and a remedy.
type Error struct {
	File string
	Line int    // from 1
	What string // "what; remedy"
}

// Error returns "FILE:LINE: what; remedy".
func (e *Error) Error() string { return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.What) }

// NewReader reads the header of a recording. The file's name is for messages
// only. The error is an [*Error], or that of in.
func NewReader(in io.Reader, file string) (*Reader, error) {
	buffer := bufio.NewReaderSize(in, 64<<10)
	if mark, _ := buffer.Peek(len(byteOrderMark)); string(mark) == byteOrderMark {
		_, _ = buffer.Discard(len(byteOrderMark)) // they were just peeked at
	}
	r := &Reader{file: file, rows: lines{in: buffer}, fans: make(map[string]int)}
	cells, err := r.rows.read()
	if err == io.EOF {
		return nil, &Error{file, 1, "the file is empty; its first line must name the columns: " + names()}
	}
	if err != nil {
		return nil, r.place(err)
	}
	if err := r.header(cells); err != nil {
		return nil, err
	}
	return r, nil
}

// byteOrderMark begins files that some spreadsheets write.
const byteOrderMark = "\uFEFF"

// header reads the names of the columns.
func (r *Reader) header(cells []string) error {
	if len(cells) == 1 && strings.ContainsAny(cells[0], ";\t\x00") {
		return r.fault("the cells are not separated by commas, or the text is not UTF-8; save the readings as CSV with commas, in UTF-8")
	}
	seen := make(map[string]bool)
	for _, cell := range cells {
		name := strings.TrimSpace(cell)
		c, ok := find(name)
		if !ok {
			return r.fault(fmt.Sprintf("column %q is not known; the columns are %s", name, names()))
		}
		if seen[name] {
			return r.fault(fmt.Sprintf("column %q is there twice; leave one out", name))
		}
		seen[name] = true
		r.columns = append(r.columns, c)
	}
	for _, name := range []string{"time", "fan", "speed"} {
		if !seen[name] {
			return r.fault(fmt.Sprintf("there is no column %q; every recording needs it", name))
		}
	}
	if !seen["pressure_pa"] && !seen["airflow_m3s"] && !seen["velocity_pressure_pa"] {
		return r.fault("there is no column for what the fans control; give pressure_pa, airflow_m3s or velocity_pressure_pa")
	}
	return nil
}

// Next reads one row into to, whose gateway stays empty. At the end it returns
// io.EOF. After an error about a row ([*Error]) the next call goes on with the
// row after it; times that go back are passed on as they are.
func (r *Reader) Next(to *reading.Reading) error {
	if r.failed != nil {
		return r.failed
	}
	cells, err := r.rows.read()
	if err != nil {
		return r.place(err)
	}
	if len(cells) != len(r.columns) {
		return r.fault(fmt.Sprintf("the row has %d cells and the header %d; every row needs one cell a column, empty where "+
			"there is no value", len(cells), len(r.columns)))
	}
	to.Clear()
	for i := range r.columns {
		if err := r.cell(&r.columns[i], cells[i], to); err != nil {
			return r.place(err)
		}
	}
	for i := range r.columns {
		r.mark(&r.columns[i], to)
	}
	return nil
}

// Read fills to with rows and returns how many there are; a call that returns
// fewer than fit returns the reason too: io.EOF, or what [Reader.Next] says.
func (r *Reader) Read(to []reading.Reading) (int, error) {
	for i := range to {
		if err := r.Next(&to[i]); err != nil {
			return i, err
		}
	}
	return len(to), nil
}

// cell reads one cell.
func (r *Reader) cell(c *column, cell string, to *reading.Reading) error {
	if cell != "" && (edge(cell[0]) || edge(cell[len(cell)-1])) {
		cell = strings.TrimSpace(cell)
	}
	switch c.kind {
	case instant:
		at, ok := r.clock.read(cell)
		if !ok {
			return wrong(c, cell, "write RFC 3339 (2026-01-05T06:31:10Z) or seconds since 1970")
		}
		to.Time = at
	case fanID:
		if cell == "" {
			return wrong(c, cell, "write the fan's id")
		}
		to.Fan = r.intern(cell)
	case quality:
		return readQuality(c, cell, to)
	default:
		return readValue(c, cell, to)
	}
	return nil
}

// edge reports whether a byte at the end of a cell may be, or be a part of, a
// space.
func edge(b byte) bool { return b <= ' ' || b >= 0x80 }

// intern returns a fan's id without a new string for one that was seen. Fans
// mostly come in the order in which they came first, round by round, so the one
// whose turn it is is tried before all are searched.
func (r *Reader) intern(cell string) reading.FanID {
	if r.turn >= len(r.order) {
		r.turn = 0
	}
	if len(r.order) > 0 && string(r.order[r.turn]) == cell {
		r.turn++
		return r.order[r.turn-1]
	}
	at, seen := r.fans[cell]
	if !seen {
		id := strings.Clone(cell) // the cell is gone with its row
		at = len(r.order)
		r.order = append(r.order, reading.FanID(id))
		r.fans[id] = at
	}
	r.turn = at + 1
	return r.order[at]
}

func readQuality(c *column, cell string, to *reading.Reading) error {
	if cell == "" || cell == "ok" {
		return nil
	}
	o, ok := reading.FindOutcome(cell)
	if !ok {
		return wrong(c, cell, "write one of "+outcomes())
	}
	to.Outcome = o
	return nil
}

func readValue(c *column, cell string, to *reading.Reading) error {
	if cell == "" {
		return nil
	}
	if c.kind == contact {
		value, ok := onOff(cell)
		if !ok {
			return wrong(c, cell, "write 1 for closed and 0 for open")
		}
		to.Set(c.point, value)
		return nil
	}
	value, ok := float(cell)
	if !ok {
		return wrong(c, cell, "write a number with a decimal point, or nothing where there is no value")
	}
	if c.kind == speed && (value < slowest || value > fastest) {
		return wrong(c, cell, "write a ratio from 0 to 1: 85 % is 0.85")
	}
	to.Set(c.point, value)
	return nil
}

// A speed is 0 to 1; what a signal is off at its ends is let through, what can
// only be a percentage is not.
const (
	slowest = -0.1
	fastest = 1.2
)

// mark says of a point that has a column and no value why it has none.
func (r *Reader) mark(c *column, to *reading.Reading) {
	if c.kind < number || to.Quality(c.point) != reading.NotMapped {
		return
	}
	if to.Outcome == reading.Invalid {
		to.Mark(c.point, reading.Marked)
	} else {
		to.Mark(c.point, reading.Unanswered)
	}
}

func wrong(c *column, cell string, remedy string) error {
	return rowError(fmt.Sprintf("%s cannot be %q; %s", c.name, cell, remedy))
}

// fault is an error about the row that was read last.
func (r *Reader) fault(what string) error {
	return &Error{File: r.file, Line: r.rows.at(), What: what}
}

// rowError is what is wrong with one row, and what to do.
type rowError string

func (e rowError) Error() string { return string(e) }

// place gives an error about a row its place. What else stops the stream stops
// the reader for good.
func (r *Reader) place(err error) error {
	var row rowError
	if errors.As(err, &row) {
		return r.fault(string(row))
	}
	var cut *csv.ParseError
	if errors.As(err, &cut) {
		return &Error{r.file, cut.StartLine,
			"its quotation marks do not pair up; quote a cell as a whole and double the marks inside it"}
	}
	r.failed = err
	return err
}
