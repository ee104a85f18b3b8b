package turnover

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// setpoint finds the register that holds it: one that never moves and is what the
// fleet file says, or, where that says nothing, near what the fan holds.
func (g *guessing) setpoint(p *Proposal) {
	held := p.Found[0]
	target, known := median(good(held.values)), g.fan != nil && g.fan.HasSetpoint
	if known {
		target = g.fan.Setpoint
	}
	var all []Guess
	for _, n := range g.numbers {
		if !n.still || n.typ == decode.Uint16 {
			continue
		}
		for _, s := range scalings(held.Place.Point.Dimension(), n.typ) {
			one := Guess{Place: n.place(reading.Setpoint, s), score: s.prior + n.worth}
			if !g.free(one.Place) {
				continue
			}
			one.values = g.values(one.Place)
			alike := n.typ == held.Place.Encoding.Type && s.scale == held.Place.Encoding.Scale && s.unit == held.Place.Encoding.Unit.Name
			switch {
			case known && is(n, one.Place.Encoding.Unit.Factor*s.scale, target):
				one.weigh(2, "it never moves and is the setpoint of the fleet file")
			case !known && alike && math.Abs(one.last()-target) <= 0.15*math.Abs(target):
				one.weigh(1.5, "it never moves, and what the fan controls is near it, whatever a count of the two is worth")
			default:
				continue
			}
			if alike {
				one.weigh(1, "its scale is that of what the fan controls")
			}
			all = append(all, one)
		}
	}
	g.put(p, all, "The setpoint was found in no register: give it in the fleet file.")
}

// put adds the best of some guesses, or says what is not known.
func (g *guessing) put(p *Proposal, all []Guess, otherwise string) {
	if len(all) == 0 {
		if otherwise != "" {
			p.unknown(otherwise)
		}
		return
	}
	first, equal := rank(all)
	p.Found = append(p.Found, Found{Guess: first, Equal: equal})
	g.take(first.Place)
	for _, one := range equal {
		g.take(one.Place)
	}
}

// contacts finds what closes with the speed, in the tables of bits and in the bits
// of words that hold no number.
func (g *guessing) contacts(p *Proposal) {
	speed := p.Found[1].values
	var high, running []Guess
	for _, place := range g.bits() {
		one := Guess{Place: place, values: g.values(place)}
		switch edge, closes := threshold(one.values, speed); {
		case math.IsNaN(edge):
		case edge < 0.1:
			one.Place.Point, one.Place.Encoding.Invert = reading.Running, !closes
			one.weigh(enough, "it changes where the fan starts and stops")
			one.turned(closes)
			running = append(running, one)
		default:
			one.Place.Encoding.Invert = !closes
			one.weigh(enough, "it changes where the speed passes about %.0f %%, and stays on its side of that", 100*edge)
			one.turned(closes)
			if g.fan != nil && g.fan.HasHighSpeed && math.Abs(edge-g.fan.HighSpeedAt) <= 2*apart {
				one.weigh(1, "which is the high_speed_at of the fleet file")
			}
			high = append(high, one)
		}
	}
	g.put(p, high, "No contact was seen to change with the speed, so high_speed is left out: look while the speed passes its threshold (--for 10m).")
	g.put(p, running, "")
}

func (g *Guess) turned(closes bool) {
	if !closes {
		g.weigh(-0.3, "it is open where it should be closed, so it is turned")
	}
}

// bits are all single bits that are no part of a number.
func (g *guessing) bits() []config.PlacedPoint {
	var all []config.PlacedPoint
	for _, c := range g.cells {
		at := config.PlacedPoint{Point: reading.HighSpeed, Table: c.Table, Address: c.Address, Encoding: decode.Encoding{Bit: decode.NoBit, Scale: 1}}
		if !g.free(at) {
			continue
		}
		if c.Table.Bits() {
			all = append(all, at)
			continue
		}
		if kinds(g.survey.Held[c]) > 8 {
			continue // a number's
		}
		at.Encoding.Type = decode.Uint16
		for bit := range 16 {
			at.Encoding.Bit = bit
			all = append(all, at)
		}
	}
	return all
}

// threshold finds the speed that parts where a bit is set from where it is not; NaN
// where none does or only one side was seen. A bit that lags by one look is let pass.
func threshold(bit, speed []float64) (edge float64, closes bool) {
	var low, high [2][]float64 // by side of the bit
	for k := range bit {
		if math.IsNaN(bit[k]) || math.IsNaN(speed[k]) || k > 0 && bit[k] != bit[k-1] {
			continue
		}
		side := int(bit[k])
		low[side], high[side] = append(low[side], speed[k]), append(high[side], speed[k])
	}
	if len(low[0]) < 2 || len(low[1]) < 2 {
		return math.NaN(), false
	}
	openLow, openHigh := extent(low[0])
	closedLow, closedHigh := extent(high[1])
	switch {
	case closedLow >= openHigh-margin && closedHigh > openLow+margin:
		return edgeOf(openHigh, closedLow), true
	case openLow >= closedHigh-margin && openHigh > closedLow+margin:
		return edgeOf(closedHigh, openLow), false
	}
	return math.NaN(), false
}

// edgeOf is the speed between two sides; that of a fan which stood still is 0.
func edgeOf(below, above float64) float64 {
	if below < 0.05 {
		return 0
	}
	return (below + above) / 2
}

// settings finds the registers that hold what the fleet file says of the controller's
// settings. One that could be two settings, or a setting that two registers could
// be, is not chosen.
func (g *guessing) settings(p *Proposal) {
	if g.fan == nil {
		p.unknown("Without a fan (--fan) nothing is known of the settings: they are left out.")
		return
	}
	fit := make(map[reading.Point][]Guess)
	claims := make(map[Cell][]string)
	for point := reading.MinSpeed; point <= reading.HighSpeedDelay; point++ {
		value, given := g.fan.Given(point)
		if !given {
			continue
		}
		fit[point] = g.setting(point, value, p.Found)
		for _, one := range fit[point] {
			c := Cell{one.Place.Table, one.Place.Address}
			claims[c] = append(claims[c], point.String())
		}
	}
	for point := reading.MinSpeed; point <= reading.HighSpeedDelay; point++ {
		all := fit[point]
		if len(all) == 0 {
			continue
		}
		at := claims[Cell{all[0].Place.Table, all[0].Place.Address}]
		if len(all) == 1 && len(at) == 1 {
			p.Found = append(p.Found, Found{Guess: all[0]})
			g.take(all[0].Place)
			continue
		}
		p.unknown(fmt.Sprintf("%s may lie in %s%s: set it to a value that nothing else has, and look again.", point, places(all), alsoFits(at, point)))
	}
}

func places(all []Guess) string {
	var names []string
	for _, one := range all {
		names = append(names, fmt.Sprintf("%s (%v %s a count)", name(one.Place), one.Place.Encoding.Scale, one.Place.Encoding.Unit.Name))
	}
	return strings.Join(names, " or ")
}

func alsoFits(claims []string, point reading.Point) string {
	others := slices.DeleteFunc(slices.Clone(claims), func(c string) bool { return c == point.String() })
	if len(others) == 0 {
		return ""
	}
	return ", which fits " + strings.Join(others, " and ") + " too"
}

// setting lists the still registers that hold a setting. Where one has the scale of
// the speed or pressure that was found, only such ones count.
func (g *guessing) setting(point reading.Point, value float64, found []Found) []Guess {
	var all, same []Guess
	for _, n := range g.numbers {
		if !n.still || n.typ == decode.Int16 || n.typ == decode.Int32 || n.worth < 0 {
			continue
		}
		for _, s := range scalings(point.Dimension(), n.typ) {
			one := Guess{Place: n.place(point, s)}
			if s.prior < 0 || !g.free(one.Place) || !is(n, one.Place.Encoding.Unit.Factor*s.scale, value) {
				continue
			}
			one.values = g.values(one.Place)
			one.weigh(enough, "it never moves and is what the fleet file says")
			all = append(all, one)
			if e := one.Place.Encoding; slices.ContainsFunc(found, func(f Found) bool {
				return f.Place.Encoding.Unit.Name == s.unit && f.Place.Encoding.Scale == e.Scale && f.Place.Encoding.Type.Words() == e.Type.Words()
			}) {
				same = append(same, one)
			}
		}
	}
	if len(same) > 0 {
		return same
	}
	return all
}

// counters names what only rises: it may be a heartbeat, hours or energy, and the
// words do not say which.
func (g *guessing) counters(p *Proposal) {
	for _, c := range g.cells {
		at := config.PlacedPoint{Table: c.Table, Address: c.Address, Encoding: decode.Encoding{Type: decode.Uint16, Bit: decode.NoBit, Scale: 1, Unit: units.Unit{}}}
		if c.Table.Bits() || !g.free(at) {
			continue
		}
		values := good(g.values(at))
		if len(values) < 5 || changes(values) < 3 || !slices.IsSorted(values) {
			continue
		}
		seconds := g.survey.Times[len(g.survey.Times)-1].Sub(g.survey.Times[0]).Seconds()
		p.unknown(fmt.Sprintf("%s only rises, by %.3g a second: a heartbeat, a time or an energy. The manual says which.", name(at), (values[len(values)-1]-values[0])/max(seconds, 1e-3)))
	}
}
