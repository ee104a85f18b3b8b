package main

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

// The layouts of the table: the columns have fixed widths, so that each row can be
// shown as soon as its point was asked. A BACnet point has its object for a place.
const (
	rowLayout    = "%-18s %5v %-9s %7v  %-9s  %-16s %-20s %-10s %s\n"
	objectLayout = "%-18s %7v %-24s  %-16s  %-16s %-20s %-14s %s\n"
)

func (t *pointTable) columns(w io.Writer) {
	if t.fan.Gateway.BACnet() {
		fmt.Fprintf(w, objectLayout, "POINT", "DEVICE", "OBJECT", "RAW", "VALUE", "IN BASE UNITS", "QUALITY", "AGE")
		return
	}
	fmt.Fprintf(w, rowLayout, "POINT", "UNIT", "TABLE", "ADDRESS", "RAW", "VALUE", "IN BASE UNITS", "QUALITY", "AGE")
}

// pointRow is what was read of one point.
type pointRow struct {
	place   config.PlacedPoint
	answer  turnover.Answer
	value   float64 // in the base unit
	quality reading.Quality
	age     string
}

func (r *pointRow) write(w io.Writer) {
	p := r.place
	var raw, value, base, age string
	var quality any = r.quality
	switch {
	case r.answer.Failure != nil:
		quality = r.answer.Failure
	case r.quality == reading.Good && p.Point.Contact():
		value, raw, age = openOrClosed(r.value), hex(r.answer.Words), r.age
	case r.quality == reading.Good:
		value, base = inUnit(r.value, p.Encoding.Unit), inUnit(r.value, baseUnit(p.Encoding.Unit.Dimension))
		fallthrough
	default:
		raw, age = hex(r.answer.Words), r.age
	}
	if !p.BACnet() {
		fmt.Fprintf(w, rowLayout, p.Point, p.Unit, p.Table, p.Address, raw, value, base, quality, age)
		return
	}
	if says := r.answer.Object; says != nil {
		raw = fmt.Sprintf("%.7g %s", says.Value, says.Type)
	}
	fmt.Fprintf(w, objectLayout, p.Point, p.Unit, p.Object, raw, value, base, quality, age)
}

// same reports whether a point reads as it did.
func (r *pointRow) same(other *pointRow) bool {
	return slices.Equal(r.answer.Words, other.answer.Words) && r.quality == other.quality && failure(r) == failure(other)
}

func failure(r *pointRow) string {
	if r.answer.Failure == nil {
		return ""
	}
	return r.answer.Failure.Error()
}

// sight is what was seen of a fan in one look.
type sight struct {
	table   *pointTable
	rows    []pointRow
	reading reading.Reading
	bad     bool // a point had no good value
	alive   bool // a word was not zero
	hidden  int  // ways to read that were not shown
}

// take takes what was answered for one point, and for what lies around it where
// other ways to read it are wanted.
func (s *sight) take(point config.PlacedPoint, answer turnover.Answer) *pointRow {
	r := pointRow{place: point, answer: answer}
	good := false
	if r.answer.Failure == nil {
		r.value, r.quality = turnover.Worth(point, &r.answer)
		r.age = s.age(point)
		if good = r.quality == reading.Good; good {
			s.reading.Set(point.Point, r.value)
		}
	}
	s.bad = s.bad || !good
	for _, word := range r.answer.Words {
		s.alive = s.alive || word != 0
	}
	s.rows = append(s.rows, r)
	return &s.rows[len(s.rows)-1]
}

// age says how old a point's words are: what the gateway gives may be a copy.
func (s *sight) age(p config.PlacedPoint) string {
	ago, said := s.reading.Get(reading.HeardAgo)
	if !said || p.Point >= reading.HeardAgo {
		return "now"
	}
	return units.Span(time.Duration(ago*float64(time.Second))) + " ago"
}

// others lists the point map's own way to read a row, and below it other ways that
// a mistake in the map leads to. Unless all are wanted, they are those that give
// another value, and one that can be; of contacts, the other polarity.
func (s *sight) others(w io.Writer, r *pointRow) {
	if r.answer.Failure != nil {
		return
	}
	p, object := r.place, r.answer.Object
	own := "no value"
	if r.quality == reading.Good {
		own = s.say(p.Point, r.value)
	}
	if object != nil {
		fmt.Fprintf(w, "    %-34s %s\n", "the device says", deviceSays(p, object))
	}
	fmt.Fprintf(w, "    %-34s %s: %s\n", "as configured", own, describe(p))
	if object != nil && object.Quality() != reading.Good {
		return // no way to read it makes a value of what the device does not stand by
	}
	for _, way := range turnover.Others(p) {
		value, good := way.Read(&r.answer)
		can := good && turnover.CanBe(p.Point, value)
		says := s.say(p.Point, value)
		switch {
		case s.table.all && !good:
			fmt.Fprintf(w, "    %-34s no value\n", way.Says)
		case s.table.all && !can:
			fmt.Fprintf(w, "    %-34s %s, which cannot be\n", way.Says, s.number(p.Point, value))
		case s.table.all || can && s.worth(r, way) && says != own:
			fmt.Fprintf(w, "    %-34s %s\n", way.Says, says)
		default:
			s.hidden++
		}
	}
}

// worth reports whether a way is shown without being asked for. Scales and units
// differ in size only: they are of use where the map's own way gives nothing.
func (s *sight) worth(r *pointRow, way turnover.Way) bool {
	if r.place.Point == reading.Heartbeat {
		return false
	}
	switch way.Kind {
	case turnover.Scale, turnover.Unit:
		return r.quality != reading.Good || !turnover.CanBe(r.place.Point, r.value)
	case turnover.Neighbour:
		return !r.place.Point.Contact()
	}
	return true
}

// say writes a value in the units of the site.
func (s *sight) say(p reading.Point, value float64) string {
	if p.Contact() {
		return openOrClosed(value)
	}
	return s.table.units.Format(value, s.dimension(p))
}

func openOrClosed(value float64) string {
	return map[bool]string{true: "closed", false: "open"}[value != 0]
}

// number writes a value that may be far too large or small for its unit's decimals.
func (s *sight) number(p reading.Point, value float64) string {
	unit := s.table.units.Unit(s.dimension(p))
	if unit.Factor == 0 {
		return strconv.FormatFloat(value, 'g', 3, 64)
	}
	return strconv.FormatFloat(unit.From(value), 'g', 3, 64) + " " + unit.Name
}

func (s *sight) dimension(p reading.Point) units.Dimension {
	if p == reading.Setpoint && s.table.fan.ControlsAirflow {
		return units.Flow
	}
	return p.Dimension()
}

// describe writes how a point map reads its words.
func describe(p config.PlacedPoint) string {
	e, closed := p.Encoding, "closed where it is 1"
	if e.Invert {
		closed = "closed where it is 0"
	}
	switch {
	case p.BACnet():
		return describeObject(p)
	case p.Table.Bits():
		return "a bit, " + closed
	case e.Bit != decode.NoBit:
		return fmt.Sprintf("bit %d of the word, %s", e.Bit, closed)
	case e.Type == decode.Bool:
		return "a word, " + map[bool]string{false: "closed where it is not 0", true: "closed where it is 0"}[e.Invert]
	}
	text := e.Type.String()
	if e.Type.Words() == 2 {
		text += " " + e.Order.String()
	}
	text += strings.TrimRight(fmt.Sprintf(", %v %s", e.Scale, e.Unit.Name), " ") + " a count"
	if e.Offset != 0 {
		text += fmt.Sprintf(", and %v added", e.Offset)
	}
	return text
}

// describeObject writes how a point map reads a BACnet value.
func describeObject(p config.PlacedPoint) string {
	e := p.Encoding
	switch {
	case len(p.States) > 0:
		return "closed in the states " + strings.Trim(strings.ReplaceAll(fmt.Sprint(p.States), " ", ", "), "[]")
	case e.Type == decode.Bool:
		return map[bool]string{false: "closed where it is active", true: "closed where it is inactive"}[e.Invert]
	case e.Scale == 1 && e.Offset == 0:
		return strings.TrimSpace("in " + e.Unit.Name)
	case e.Offset == 0:
		return strings.TrimSpace(fmt.Sprintf("%v %s for each 1", e.Scale, e.Unit.Name))
	}
	return strings.TrimSpace(fmt.Sprintf("%v %s for each 1, and %v added", e.Scale, e.Unit.Name, e.Offset))
}

// deviceSays writes what a BACnet object says of its value: flags and reliability, and
// its unit or polarity where it has one.
func deviceSays(p config.PlacedPoint, s *turnover.Says) string {
	text := s.State()
	switch {
	case s.HasUnit && s.Unit == bacnet.NoUnits:
		text += ", no unit"
	case s.HasUnit && turnover.UnitAgrees(p, s):
		text += ", in " + s.Unit.String()
	case s.HasUnit:
		text += fmt.Sprintf(", in %s, WHICH IS NOT THE POINT MAP'S: correct unit and scale there, or where the device is wrong add device_unit = %q",
			s.Unit, s.Unit)
	case s.HasPolarity:
		text += map[bacnet.Polarity]string{bacnet.Normal: ", polarity normal", bacnet.Reverse: ", polarity reverse, turned by the device already"}[s.Polarity]
	}
	return text
}

// conclude says what follows from the points together, and the exit status.
func (s *sight) conclude() (says string, status int) {
	var b strings.Builder
	fan := s.table.fan
	if _, mapped := fan.Placed(reading.Airflow); !mapped {
		fan.Complete(&s.reading)
		if flow, good := s.reading.Get(reading.Airflow); good {
			fmt.Fprintf(&b, "%s, computed: %s\n", reading.Airflow, inUnit(flow, baseUnit(units.Flow)))
		}
	}
	if s.hidden > 0 {
		fmt.Fprintf(&b, "\n%d more ways to read these words (other scales and units, and what cannot be): --all\n", s.hidden)
	}
	ago, said := s.reading.Get(reading.HeardAgo)
	switch {
	case said && ago > fan.Gateway.StaleAfter.Seconds():
		fmt.Fprintf(&b, "\nThe gateway has not heard from this unit for %s: what it shows is old, and the daemon takes the unit for silent.\n",
			units.Span(time.Duration(ago*float64(time.Second))))
		return b.String(), foundWrong
	case fan.PointMap.AbsentIfAllZero && !s.alive && !s.bad:
		fmt.Fprintf(&b, "\nEverything is zero: by absent_when of map %q the gateway has lost this unit, and the daemon takes it for silent.\n",
			fan.PointMap.Name)
		return b.String(), foundWrong
	case !said && s.alive && s.table.ways && !fan.Gateway.BACnet():
		fmt.Fprint(&b, "\nThe gateway does not say when it last heard from the unit, so what it gives may be old: see with --watch that it moves.\n")
	}
	if s.bad {
		return b.String(), foundWrong
	}
	return b.String(), allWell
}

// whole is the table of one look.
func (s *sight) whole() string {
	var b strings.Builder
	s.table.heading(&b)
	s.table.columns(&b)
	for i := range s.rows {
		s.rows[i].write(&b)
		if s.table.ways {
			s.others(&b, &s.rows[i])
		}
	}
	says, _ := s.conclude()
	return b.String() + says
}

// changes writes a line for each point that reads otherwise than before.
func (s *sight) changes(w io.Writer, before *sight) {
	for i := range s.rows {
		if !s.rows[i].same(&before.rows[i]) {
			fmt.Fprint(w, time.Now().Format("15:04:05 "))
			s.rows[i].write(w)
		}
	}
}

// hex writes raw words as they came, the first one first.
func hex(words []uint16) string {
	parts := make([]string, len(words))
	for i, word := range words {
		parts[i] = fmt.Sprintf("%04X", word)
	}
	return strings.Join(parts, " ")
}

// baseUnit returns the unit in which the program computes a dimension.
func baseUnit(d units.Dimension) units.Unit {
	names := units.Names(d)
	if len(names) == 0 {
		return units.Unit{}
	}
	unit, _ := units.Find(names[0])
	return unit
}

// inUnit writes a value that is given in its base unit.
func inUnit(base float64, unit units.Unit) string {
	if unit.Name == "" {
		return strconv.FormatFloat(base, 'g', 7, 64)
	}
	return strconv.FormatFloat(unit.From(base), 'g', 7, 64) + " " + unit.Name
}
