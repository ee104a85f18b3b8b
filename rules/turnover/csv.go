package turnover

import (
	"encoding/csv"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"

	"fanwarden/poller/units"
)

// WriteCSV writes a table that spreadsheets read, one row a point. Values are in
// the base unit that stands beside them, times in UTC. No text is taken for a
// formula. The instrument, unless the record names one, and what it showed are left
// blank, to be filled in.
func WriteCSV(w io.Writer, records ...*Record) error {
	rows := [][]string{{"building", "fan", "name", "gateway", "url", "mode", "who", "witness", "ended", "point", "table", "address", "register", "object", "unit", "type",
		"order", "bit", "scale", "offset", "in", "sign", "expected", "tolerance", "raw", "value", "base_unit", "verdict", "reason", "looks", "answered",
		"first", "last", "instrument", "serial", "calibration_date", "measured", "retest_of", "first_verdict", "sha256"}}
	for _, r := range records {
		for i := range r.Points {
			rows = append(rows, r.row(&r.Points[i]))
		}
	}
	return csv.NewWriter(w).WriteAll(rows)
}

func (r *Record) row(p *PointRecord) []string {
	object := ""
	if p.Object != nil {
		object = p.Object.Object
	}
	first, was := r.first(p)
	var tool Instrument
	if len(r.Instruments) == 1 {
		tool = r.Instruments[0]
	}
	return []string{cell(r.Building.ID), cell(r.Fan.ID), cell(r.Fan.Name), cell(r.Gateway.ID), cell(r.Gateway.URL), cell(r.Mode), cell(r.Who), cell(r.Witness), stamp(r.Ended),
		p.Point.String(), cell(p.Table), whole(p.Address), cell(p.Register), cell(object), strconv.Itoa(p.Unit), cell(p.Type), cell(p.Order), whole(p.Bit), figure(&p.Scale),
		figure(&p.Offset), unit(p.In), cell(p.Sign), figure(p.Expected), figure(p.Tolerance), cell(p.Raw), figure(p.Value), base(p.In), p.Verdict.String(),
		cell(p.Reason), strconv.Itoa(p.Looks), strconv.Itoa(p.Answered), stamp(p.First), stamp(p.Last), cell(tool.Name), cell(tool.Serial),
		cell(tool.Calibrated), "", cell(first), was, cell(r.SHA256)}
}

// first names the record that this is a retest of, and the verdict that it has of a
// point; where it is the same, that is not in the list of what has changed.
func (r *Record) first(p *PointRecord) (hash, verdict string) {
	if r.RetestOf == nil {
		return "", ""
	}
	if hash = r.RetestOf.SHA256; r.RetestOf.Doubt != "" {
		return hash, ""
	}
	if s := find(r.RetestOf.Since, p.Point.String()); s == nil {
		verdict = p.Verdict.String()
	} else if s.Was != nil {
		verdict = s.Was.String()
	}
	return hash, verdict
}

// unit is the name of a unit of measure, which is no formula, whatever it begins
// with; what is none is a text like any other.
func unit(in string) string {
	if _, known := units.Find(in); known {
		return in
	}
	return cell(in)
}

// base names the base unit of what is kept in a unit.
func base(in string) string {
	u, known := units.Find(in)
	if !known {
		return ""
	}
	for _, name := range units.Names(u.Dimension) {
		if b, _ := units.Find(name); b.Factor == 1 && b.Offset == 0 {
			return name
		}
	}
	return ""
}

// whole writes a number that may be absent.
func whole(n *int) string {
	if n == nil {
		return ""
	}
	return strconv.Itoa(*n)
}

// figure writes a number to nine digits, without an exponent; what is absent is no
// zero.
func figure(v *float64) string {
	if v == nil {
		return ""
	}
	rounded, _ := strconv.ParseFloat(strconv.FormatFloat(*v, 'g', 9, 64), 64)
	return strconv.FormatFloat(rounded, 'f', -1, 64)
}

func stamp(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.UTC().Format(time.RFC3339)
}

// cell makes a text safe: one that a spreadsheet would take for a formula begins
// with an apostrophe (OWASP, CSV Injection).
func cell(text string) string {
	text = clean(text)
	for _, first := range strings.TrimLeft(text, " \u00a0\u3000\ufeff") {
		if strings.ContainsRune("=+-@|%＝＋－＠", first) {
			return "'" + text
		}
		break
	}
	return text
}

// clean takes out of a text what controls a screen or turns its direction round.
func clean(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) || unicode.Is(unicode.Bidi_Control, r) {
			return ' '
		}
		return r
	}, strings.ToValidUTF8(text, "\uFFFD"))
}
