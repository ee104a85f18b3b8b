package turnover

import (
	"fmt"
	"math"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/units"
)

// Kind is what a way to read differs in from the point map's own.
type Kind uint8

// The kinds, in the order of Others.
const (
	Own Kind = iota // nothing: it is the point map's
	Sign
	Order
	Type
	Neighbour
	Scale
	Unit
	Polarity
)

// Way is one way to read a point's words.
type Way struct {
	Kind Kind
	Says string // what is different about it, to stand before a value; "" for the map's own
	Read func(a *Answer) (value float64, good bool)
}

// own is how the point map reads them.
func own(p config.PlacedPoint) Way {
	return Way{Read: func(a *Answer) (float64, bool) { return decoded(p.Encoding, a.Words) }}
}

func decoded(e decode.Encoding, words []uint16) (float64, bool) {
	if len(words) == 0 || len(words) < e.Type.Words() && e.Type.Words() > 1 {
		return math.NaN(), false
	}
	v, q := e.Decode(words)
	return v, q.String() == "good"
}

// Others are every other way that a mistake in the point map leads to, each with
// one thing different, the commonest first.
func Others(p config.PlacedPoint) []Way {
	e := p.Encoding
	if p.BACnet() {
		return objectWays(p)
	}
	if p.Table.Bits() || e.Type == decode.Bool || e.Bit != decode.NoBit {
		return contactWays(p)
	}
	ways := signs(e)
	ways = append(ways, orders(e)...)
	ways = append(ways, types(e)...)
	ways = append(ways, neighbours(p)...)
	ways = append(ways, scales(e)...)
	return append(ways, otherUnits(e)...)
}

func on(kind Kind, e decode.Encoding, says string) Way {
	return Way{kind, says, func(a *Answer) (float64, bool) { return decoded(e, a.Words) }}
}

// signs are the type's signed or unsigned twin, and the sign turned.
func signs(e decode.Encoding) []Way {
	var ways []Way
	twin := map[decode.Type]decode.Type{decode.Int16: decode.Uint16, decode.Uint16: decode.Int16,
		decode.Int32: decode.Uint32, decode.Uint32: decode.Int32}
	if other, has := twin[e.Type]; has {
		says := "unsigned"
		if other == decode.Int16 || other == decode.Int32 {
			says = "signed"
		}
		alike := e
		alike.Type = other
		ways = append(ways, on(Sign, alike, fmt.Sprintf("%s (%s)", says, other)))
	}
	turned := e
	turned.Scale, turned.Offset = -e.Scale, -e.Offset
	return append(ways, on(Sign, turned, "with its sign turned"))
}

// orders are the other orders of a 32-bit value.
func orders(e decode.Encoding) []Way {
	if e.Type.Words() == 1 {
		return nil
	}
	var ways []Way
	for o := decode.ABCD; o <= decode.DCBA; o++ {
		if o != e.Order {
			other := e
			other.Order = o
			ways = append(ways, on(Order, other, "as "+o.String()))
		}
	}
	return ways
}

// types are the other types of the same width, and of the other one.
func types(e decode.Encoding) []Way {
	var ways []Way
	for t := decode.Int16; t <= decode.Float32; t++ {
		if t == e.Type || t.Words() != e.Type.Words() || !(t == decode.Float32 || e.Type == decode.Float32) {
			continue
		}
		other := e
		other.Type = t
		ways = append(ways, on(Type, other, "as "+t.String()))
	}
	if e.Type.Words() == 2 {
		for _, t := range []decode.Type{decode.Int16, decode.Uint16} {
			other := e
			other.Type = t
			ways = append(ways, on(Type, other, "as "+t.String()+" in one register"))
		}
		return ways
	}
	for _, t := range []decode.Type{decode.Float32, decode.Int32, decode.Uint32} {
		for _, o := range []decode.Order{decode.ABCD, decode.CDAB} {
			other := e
			other.Type, other.Order = t, o
			ways = append(ways, Way{Type, fmt.Sprintf("as %s %s in two registers", t, o), func(a *Answer) (float64, bool) {
				if len(a.Words) == 0 || len(a.After) == 0 {
					return math.NaN(), false
				}
				return decoded(other, []uint16{a.Words[0], a.After[0]})
			}})
		}
	}
	return ways
}

// neighbours are the same reading one address lower and higher: manuals count
// from 1 or from 0.
func neighbours(p config.PlacedPoint) []Way {
	lower := func(a *Answer) (float64, bool) {
		if len(a.Before) == 0 || len(a.Words) == 0 {
			return math.NaN(), false
		}
		return decoded(p.Encoding, append(append([]uint16{}, a.Before[len(a.Before)-1]), a.Words...)[:p.Words()])
	}
	higher := func(a *Answer) (float64, bool) {
		if len(a.After) == 0 || len(a.Words) == 0 {
			return math.NaN(), false
		}
		return decoded(p.Encoding, append(append([]uint16{}, a.Words[1:]...), a.After[0]))
	}
	return []Way{{Neighbour, "one address lower", lower}, {Neighbour, "one address higher", higher}}
}

// scales are a point of the decimal that is set wrong.
func scales(e decode.Encoding) []Way {
	var ways []Way
	for _, s := range []struct {
		by   float64
		says string
	}{{10, "times ten"}, {0.1, "a tenth of it"}, {100, "times a hundred"}, {0.01, "a hundredth of it"}, {1000, "times a thousand"}, {0.001, "a thousandth of it"}} {
		other := e
		other.Scale *= s.by
		ways = append(ways, on(Scale, other, s.says))
	}
	return ways
}

// otherUnits are the other units of its dimension that are not such a scale.
func otherUnits(e decode.Encoding) []Way {
	return inUnits(e, func(u units.Unit) bool {
		by := math.Log10(u.Factor / e.Unit.Factor)
		return by != math.Trunc(by) || u.Offset != e.Unit.Offset
	})
}

// everyUnit are all other units of its dimension: on BACnet a mistake is one of units
// rather than of scale.
func everyUnit(e decode.Encoding) []Way {
	return inUnits(e, func(u units.Unit) bool { return u.Factor != e.Unit.Factor || u.Offset != e.Unit.Offset })
}

// inUnits names a unit that has two names, as hPa and mbar, once.
func inUnits(e decode.Encoding, takes func(units.Unit) bool) []Way {
	var ways []Way
	var taken []units.Unit
	for _, name := range units.Names(e.Unit.Dimension) {
		u, _ := units.Find(name)
		named := slices.ContainsFunc(taken, func(t units.Unit) bool { return t.Factor == u.Factor && t.Offset == u.Offset })
		if takes(u) && !named {
			taken = append(taken, u)
			other := e
			other.Unit = u
			ways = append(ways, on(Unit, other, "in "+name))
		}
	}
	return ways
}

// objectWays are those of a BACnet point: its value has one type, and the object
// beside it another number.
func objectWays(p config.PlacedPoint) []Way {
	beside := []Way{
		{Neighbour, "one instance lower", func(a *Answer) (float64, bool) { return decoded(p.Encoding, a.Before) }},
		{Neighbour, "one instance higher", func(a *Answer) (float64, bool) { return decoded(p.Encoding, a.After) }}}
	if p.Encoding.Type == decode.Bool {
		turned := p.Encoding
		turned.Invert = !turned.Invert
		return append([]Way{on(Polarity, turned, "inverted")}, beside...)
	}
	ways := append(signs(p.Encoding), beside...)
	return append(append(ways, everyUnit(p.Encoding)...), scales(p.Encoding)...)
}

func contactWays(p config.PlacedPoint) []Way {
	turned := p.Encoding
	turned.Invert = !turned.Invert
	return append([]Way{on(Polarity, turned, "inverted")}, neighbours(p)...)
}
