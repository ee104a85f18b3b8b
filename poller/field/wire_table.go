package field

import (
	"math"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// place is one table of one unit.
type place struct {
	unit  uint8
	table decode.Table
}

// mapped is one point where it lies on the wire.
type mapped struct {
	config.PlacedPoint
	fan *config.Fan // nil: the gateway's own
}

func (m mapped) cell(at place) cell { return cell{at, m.Address, m.Encoding.Bit, m.Point} }

// bank is what lies in one table of one unit.
type bank struct {
	points  []mapped // what can be read, by address
	outputs []mapped // what a turnover exercise writes
	written map[int]uint16
	end     int // the first address beyond the last point
}

// banks lays out the tables of every unit behind a gateway. A point that all
// fans of a unit share lies in its table once.
func banks(g *config.Gateway, fans []*config.Fan) map[place]*bank {
	all := make(map[place]*bank)
	for _, p := range g.Points {
		put(all, mapped{p, nil})
	}
	for _, fan := range fans {
		for _, p := range fan.Points {
			put(all, mapped{p, fan})
		}
	}
	for _, b := range all {
		slices.SortStableFunc(b.points, func(a, b mapped) int { return a.Address - b.Address })
	}
	return all
}

func put(all map[place]*bank, m mapped) {
	at := place{uint8(m.Unit), m.Table}
	b := all[at]
	if b == nil {
		b = &bank{written: make(map[int]uint16)}
		all[at] = b
	}
	b.end = max(b.end, m.Address+m.Words())
	list := &b.points
	if m.Point.Output() {
		list = &b.outputs
	}
	for _, other := range *list {
		if other.Point == m.Point && other.Address == m.Address && other.Encoding.Bit == m.Encoding.Bit {
			return
		}
	}
	*list = append(*list, m)
}

// read fills words with what lies from s.first on. An address that no point
// uses reads 0 as long as it lies before the end of the last one, as the
// register blocks of controllers do; beyond it there is nothing to read.
//
// show gives the words that a point has now.
func (b *bank) read(s span, words []uint16, show func(mapped) []uint16) exception {
	if b == nil || s.first+s.count > b.end {
		return illegalAddress
	}
	clear(words)
	for address, w := range b.written {
		if at := address - s.first; at >= 0 && at < len(words) {
			words[at] = w
		}
	}
	from, _ := slices.BinarySearchFunc(b.points, s.first-1, func(m mapped, address int) int { return m.Address - address })
	for _, m := range b.points[from:] {
		if m.Address >= s.first+s.count {
			break
		}
		for i, w := range show(m) {
			if at := m.Address + i - s.first; at >= 0 && at < len(words) {
				words[at] = words[at]&^m.mask() | w&m.mask()
			}
		}
	}
	return accepted
}

// mask returns the bits of a word that are the point's: several points may
// share a word.
func (m mapped) mask() uint16 {
	if m.Table.Bits() || m.Encoding.Bit == decode.NoBit {
		return math.MaxUint16
	}
	return 1 << m.Encoding.Bit
}

// encode returns the words that a value takes there; NaN is none.
func (m mapped) encode(value float64) []uint16 {
	if m.Table.Bits() && math.IsNaN(value) {
		value = 0
	}
	return m.Encoding.Encode(value)
}

// write keeps what is written to outputs, so that it is read back. A write to
// anything else is refused as a whole.
func (b *bank) write(s span) exception {
	if b == nil {
		return illegalFunction
	}
	for i := range s.words {
		if !b.output(s.first + i) {
			return illegalFunction
		}
	}
	for i, w := range s.words {
		b.written[s.first+i] = w
	}
	return accepted
}

func (b *bank) output(address int) bool {
	return slices.ContainsFunc(b.outputs, func(m mapped) bool {
		return address >= m.Address && address < m.Address+m.Words()
	})
}

// wrote decodes what now stands in an output, if the write touched it.
func (b *bank) wrote(m mapped, s span) (value float64, good bool) {
	if m.Address+m.Words() <= s.first || m.Address >= s.first+s.count {
		return 0, false
	}
	words := make([]uint16, m.Words())
	for i := range words {
		words[i] = b.written[m.Address+i]
	}
	value, q := m.Encoding.Decode(words)
	return value, q == reading.Good
}
