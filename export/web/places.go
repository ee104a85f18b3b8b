package web

import (
	"fmt"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// placeAnswer is one point at its place on the wire, with what was last read
// there.
type placeAnswer struct {
	Point    string   `json:"point"`
	Title    string   `json:"title"`
	UnitID   int      `json:"unit_id"` // Modbus unit or BACnet device that holds it
	Table    string   `json:"table,omitempty"`
	Address  *int     `json:"address,omitempty"`  // as on the wire, from 0
	Register string   `json:"register,omitempty"` // as manuals number it
	Object   string   `json:"object,omitempty"`   // of a BACnet point, instead of these three
	Priority int      `json:"priority,omitempty"` // that a BACnet output is commanded at
	States   []uint32 `json:"states,omitempty"`   // of a multi-state object, that count as closed
	Type     string   `json:"type"`
	Order    string   `json:"order,omitempty"`  // of the bytes of a 32-bit value
	Bit      *int     `json:"bit,omitempty"`    // that is picked of the word
	Scale    *float64 `json:"scale,omitempty"`  // absent for a contact
	Offset   *float64 `json:"offset,omitempty"` // likewise
	Unit     string   `json:"unit,omitempty"`   // in which the map has it
	Invert   bool     `json:"invert"`
	Invalid  []string `json:"invalid,omitempty"` // words that mean "no value"
	Raw      []string `json:"raw"`               // null where it was not answered
	Value    any      `json:"value"`             // in the base unit; null unless it is good
	BaseUnit string   `json:"base_unit,omitempty"`
	Shown    *string  `json:"shown"` // for people; null likewise
	Quality  string   `json:"quality"`
	Age      *float64 `json:"age_s"`
	Note     string   `json:"note,omitempty"`
}

// notRead is the quality of points that no poll reads.
const notRead = "not_read"

func (s *settings) places() []placeAnswer {
	all := make([]placeAnswer, len(s.c.Points))
	for i, p := range s.c.Points {
		all[i] = describePlace(p)
		if p.Point.Output() {
			all[i].Quality, all[i].Note = notRead, "not read; for turnover only"
			continue
		}
		s.read(&all[i], p.Point)
	}
	return all
}

func describePlace(p config.PlacedPoint) placeAnswer {
	e := p.Encoding
	a := placeAnswer{Point: p.Point.String(), Title: titles[p.Point], UnitID: p.Unit, Type: e.Type.String(), Unit: e.Unit.Name, Invert: e.Invert}
	if p.BACnet() {
		a.Object, a.Priority, a.States, a.Type = p.Object.String(), int(p.Priority), p.States, objectType(p)
	} else {
		a.Table, a.Address, a.Register = p.Table.String(), &p.Address, p.Register()
		if p.Words() > 1 {
			a.Order = e.Order.String()
		}
	}
	if e.Bit >= 0 {
		a.Bit = &e.Bit
	}
	if !p.Point.Contact() {
		a.Scale, a.Offset = &e.Scale, &e.Offset
	}
	for _, word := range e.Invalid {
		a.Invalid = append(a.Invalid, fmt.Sprintf("0x%0*X", 4*p.Words(), word))
	}
	return a
}

// objectType is what a BACnet value is taken for: its words are of our making.
func objectType(p config.PlacedPoint) string {
	if p.Point.Contact() {
		return "contact"
	}
	return "number"
}

// read adds what was last read of a point: words and value are of one reading.
func (s *settings) read(a *placeAnswer, p reading.Point) {
	a.Quality, a.Age = quality(s.f, p, s.now), age(s.f, s.now)
	switch s.f.Values.Quality(p) {
	case reading.NotMapped, reading.Unanswered:
		a.Age = nil
		return
	}
	for _, word := range s.c.Raw(s.f.Raw, p) {
		a.Raw = append(a.Raw, fmt.Sprintf("0x%04X", word))
	}
	value, fresh := s.f.Fresh(p, s.now)
	if !fresh {
		return
	}
	shown := s.units.Format(value, dimension(s.c, p))
	if p.Contact() {
		shown = contactWord(p, value != 0)
	}
	a.Value, a.Shown, a.BaseUnit = number(p, value), &shown, baseUnit(dimension(s.c, p))
}

// contactWord says how a contact stands.
func contactWord(p reading.Point, on bool) string {
	switch {
	case p == reading.HighSpeed && on:
		return "closed"
	case p == reading.HighSpeed:
		return "open"
	case on:
		return "on"
	}
	return "off"
}
