package recording

import (
	"io"
	"strconv"
	"strings"
	"time"

	"fanwarden/poller/reading"
)

// Writer writes readings so that [Reader] reads them back: all columns, or
// those chosen. What a point that is not good lacks is not told apart.
type Writer struct {
	out     io.Writer
	columns []column
	row     []byte
	begun   bool
}

// NewWriter returns a writer to out. Without names it writes every column.
// Names that are not columns are left out.
func NewWriter(out io.Writer, names ...string) *Writer {
	w := &Writer{out: out}
	for _, name := range names {
		if c, ok := find(name); ok {
			w.columns = append(w.columns, c)
		}
	}
	if len(names) == 0 {
		w.columns = known()
	}
	return w
}

// Write writes one reading, the header before the first. Of a fan that
// controls an airflow (flow) the setpoint is a flow. Each row is one call of
// the underlying writer: give it a buffer.
func (w *Writer) Write(r *reading.Reading, flow bool) error {
	if err := w.Begin(); err != nil {
		return err
	}
	w.row = w.row[:0]
	for i := range w.columns {
		if i > 0 {
			w.row = append(w.row, ',')
		}
		w.cell(&w.columns[i], r, flow)
	}
	w.row = append(w.row, '\n')
	_, err := w.out.Write(w.row)
	return err
}

// Begin writes the header, unless it is written; a recording of no rows has
// one too.
func (w *Writer) Begin() error {
	if w.begun {
		return nil
	}
	w.begun = true
	var header []string
	for _, c := range w.columns {
		header = append(header, c.name)
	}
	_, err := io.WriteString(w.out, strings.Join(header, ",")+"\n")
	return err
}

func (w *Writer) cell(c *column, r *reading.Reading, flow bool) {
	switch {
	case c.kind == instant:
		w.row = r.Time.UTC().AppendFormat(w.row, time.RFC3339Nano)
	case c.kind == fanID:
		w.text(string(r.Fan))
	case c.kind == quality:
		w.row = append(w.row, r.Outcome.String()...)
	case c.name == setpointPa && flow || c.name == setpointFlow && !flow:
	default:
		if value, good := r.Get(c.point); good {
			w.row = strconv.AppendFloat(w.row, value, 'g', -1, 64)
		}
	}
}

// text writes a cell, in quotation marks where it needs them.
func (w *Writer) text(s string) {
	if !strings.ContainsAny(s, ",\"\r\n ") {
		w.row = append(w.row, s...)
		return
	}
	w.row = append(w.row, '"')
	w.row = append(w.row, strings.ReplaceAll(s, `"`, `""`)...)
	w.row = append(w.row, '"')
}
