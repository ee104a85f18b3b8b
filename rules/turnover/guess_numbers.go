package turnover

import (
	"cmp"
	"math"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// number is one way to take numbers out of a survey's registers, before any scale.
type number struct {
	cell  Cell
	typ   decode.Type
	order decode.Order
	raw   []float64 // by look; NaN where there was no answer
	still bool      // it never changed
	rough float64   // how much of its movement is from look to look: near 0 smooth, near 1 noise; NaN: too little to say
	worth float64   // what speaks against the type itself, below zero
}

// read takes every number out of the survey that can be one.
func (g *guessing) read() {
	var floats []number
	for _, c := range g.cells {
		if c.Table.Bits() {
			continue
		}
		for _, typ := range []decode.Type{decode.Uint16, decode.Int16} {
			g.add(&g.numbers, c, typ, decode.ABCD)
		}
		for order := decode.ABCD; order <= decode.DCBA; order++ {
			g.add(&floats, c, decode.Float32, order)
			g.add(&g.numbers, c, decode.Int32, order)
		}
	}
	g.vote(floats)
	g.numbers = append(g.numbers, floats...)
	for _, n := range g.numbers {
		if n.still && good(n.raw)[0] != 0 {
			g.holding = append(g.holding, n)
		}
	}
}

func (g *guessing) add(to *[]number, c Cell, typ decode.Type, order decode.Order) {
	n := number{cell: c, typ: typ, order: order}
	place := n.place(reading.Heartbeat, scaling{scale: 1})
	n.raw = g.values(place)
	real := good(n.raw)
	if len(real) == 0 || len(real)*2 < len(n.raw) {
		return
	}
	if typ == decode.Float32 && share(real, natural) < 1 || typ == decode.Int32 && !g.signed(place) {
		return
	}
	n.still, n.rough = changes(real) == 0, roughness(real)
	*to = append(*to, n)
}

// natural reports whether a float is one that a controller may hold. What is
// neither zero nor in this range comes from other words, or another order.
func natural(v float64) bool { return v == 0 || math.Abs(v) >= 1e-4 && math.Abs(v) <= 1e6 }

// signed reports whether two registers hold a sign together: the high one is all
// ones where the low one is negative. Other 32-bit values read like a 16-bit one.
func (g *guessing) signed(p config.PlacedPoint) bool {
	negative := 0
	for k := range g.survey.Times {
		words := g.words(p, k)
		if words == nil {
			continue
		}
		v := int32(p.Encoding.Raw(words))
		if v < -math.MaxInt16 || v > math.MaxUint16 {
			return false
		}
		if v < 0 {
			negative++
		}
	}
	return negative > 0
}

// values reads a place in every look, in the base unit; NaN where it gives none.
func (g *guessing) values(p config.PlacedPoint) []float64 {
	values := make([]float64, len(g.survey.Times))
	for k := range values {
		v, ok := decoded(p.Encoding, g.words(p, k))
		if values[k] = v; !ok {
			values[k] = math.NaN()
		}
	}
	return values
}

// words are those of a place in a look, or nil.
func (g *guessing) words(p config.PlacedPoint, k int) []uint16 {
	words := make([]uint16, p.Words())
	for i := range words {
		held := g.survey.Held[Cell{p.Table, p.Address + i}]
		if len(held) <= k || held[k] < 0 {
			return nil
		}
		words[i] = uint16(held[k]) //nolint:gosec // it was a word
	}
	return words
}

// vote finds the order of words that explains most registers by floats: a device
// has one order for all it holds. Floats of other orders, and single registers
// out of the middle of lively floats, have that against them.
func (g *guessing) vote(floats []number) {
	var covers [4]map[Cell]bool
	for o := range covers {
		covers[o] = make(map[Cell]bool)
	}
	for _, f := range floats {
		if share(f.raw, func(v float64) bool { return v != 0 }) == 0 {
			continue
		}
		for i := range 2 {
			c := Cell{f.cell.Table, f.cell.Address + i}
			if held := g.survey.Held[c]; held[0] != 0 || held[len(held)-1] != 0 {
				covers[f.order][c] = true
			}
		}
	}
	for o := decode.ABCD; o <= decode.DCBA; o++ {
		if len(covers[o]) > len(covers[g.order]) {
			g.order = o
		}
	}
	lively := make(map[Cell]bool)
	for i, f := range floats {
		switch {
		case len(covers[f.order]) < len(covers[g.order])-1:
			floats[i].worth = -3
		case len(covers[f.order]) < len(covers[g.order]):
			floats[i].worth = -1
		case f.order == g.order && g.mantissa(f):
			lively[f.cell], lively[Cell{f.cell.Table, f.cell.Address + 1}] = true, true
		}
	}
	for i, n := range g.numbers {
		if lively[n.cell] || n.typ.Words() == 2 && lively[Cell{n.cell.Table, n.cell.Address + 1}] {
			g.numbers[i].worth = -3
		}
	}
}

// mantissa reports whether the low word of a float jumps about as only the small
// end of a moving float does, while the high one hardly moves.
func (g *guessing) mantissa(f number) bool {
	high := f.high()
	low := 1 - high
	return g.spread(Cell{f.cell.Table, f.cell.Address + low}) > 1<<13 && (f.order >= decode.BADC || g.spread(Cell{f.cell.Table, f.cell.Address + high}) < 1<<12)
}

// high is which of two registers holds the large end.
func (n *number) high() int {
	if n.order == decode.CDAB || n.order == decode.DCBA {
		return 1
	}
	return 0
}

func (g *guessing) spread(c Cell) int {
	low, high := 1<<16, 0
	for _, v := range g.survey.Held[c] {
		if v >= 0 {
			low, high = min(low, v), max(high, v)
		}
	}
	return high - low
}

// roughness is the mean square of the steps over twice the variance (von Neumann's
// ratio, halved): about 1 for noise, about 0 for what moves slowly. Of a value that
// takes a few steps only it says nothing: that may be its rounding.
func roughness(values []float64) float64 {
	if len(values) < 8 || kinds(values) < 6 {
		return math.NaN()
	}
	mean, steps, square := 0.0, 0.0, 0.0
	for _, v := range values {
		mean += v / float64(len(values))
	}
	for k, v := range values {
		square += (v - mean) * (v - mean)
		if k > 0 {
			steps += (v - values[k-1]) * (v - values[k-1])
		}
	}
	return steps / (2 * square)
}

// kinds counts the different values.
func kinds[T cmp.Ordered](values []T) int {
	return len(slices.Compact(slices.Sorted(slices.Values(values))))
}

// scaling is what one count may be worth.
type scaling struct {
	scale float64
	unit  string
	prior float64 // how common it is, only to put the commoner first
}

// Common ways in which controllers scale values (common practice of the trade; no
// source). Those that give the same numbers are listed once: 0.01 % is also a 0-10 V
// signal in mV, 0.1 % one in hundredths of a volt, 1 Pa also 0.001 kPa.
var (
	pressureCounts = []scaling{{0.1, "Pa", 0.3}, {0.001, "inH2O", 0.25}, {1, "Pa", 0.2}, {0.01, "inH2O", 0.1}, {0.01, "Pa", 0},
		{0.1, "mmH2O", 0}, {0.0001, "inH2O", -0.1}, {0.01, "mmH2O", -0.1}}
	pressureFloats = []scaling{{1, "Pa", 0.3}, {1, "inH2O", 0.25}, {1, "kPa", 0.1}, {1, "mbar", 0.1}, {1, "mmH2O", 0}}
	flowCounts     = []scaling{{1, "cfm", 0.3}, {1, "m3/h", 0.2}, {1, "L/s", 0.2}, {0.01, "m3/s", 0}, {0.1, "L/s", 0}, {0.1, "cfm", 0}}
	flowFloats     = []scaling{{1, "m3/s", 0.2}, {1, "cfm", 0.3}, {1, "m3/h", 0.2}, {1, "L/s", 0.2}}
	speedCounts    = []scaling{{0.1, "%", 0.3}, {0.01, "%", 0.25}, {1, "%", 0.2}, {1.0 / 255, "ratio", -0.3}, {1.0 / 4095, "ratio", -0.3},
		{1.0 / 32767, "ratio", -0.3}}
	speedFloats = []scaling{{1, "%", 0.3}, {1, "ratio", 0.2}, {1, "V", 0.2}}
	timeCounts  = []scaling{{1, "s", 0.3}, {0.1, "s", 0}, {1, "min", 0.1}}
)

// scalings are those that a point may have.
func scalings(d units.Dimension, typ decode.Type) []scaling {
	float := typ == decode.Float32
	switch {
	case d == units.Pressure && float:
		return pressureFloats
	case d == units.Pressure:
		return pressureCounts
	case d == units.Flow && float:
		return flowFloats
	case d == units.Flow:
		return flowCounts
	case d == units.Ratio && float:
		return speedFloats
	case d == units.Ratio:
		return speedCounts
	case d == units.Time && float:
		return timeCounts[:1]
	}
	return timeCounts
}

// place is where a number lies, as a point of some scale.
func (n *number) place(p reading.Point, s scaling) config.PlacedPoint {
	unit, _ := units.Find(s.unit)
	return config.PlacedPoint{Point: p, Table: n.cell.Table, Address: n.cell.Address,
		Encoding: decode.Encoding{Type: n.typ, Order: n.order, Bit: decode.NoBit, Scale: s.scale, Unit: unit}}
}
