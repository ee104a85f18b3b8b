package turnover

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// candidates are how many of each kind are tried with each other.
const candidates = 24

// pair finds what the fan controls and its speed, which are judged together: the
// one is noisy and held, the other goes where the first one drives it.
func (g *guessing) pair(p *Proposal) {
	held, speeds := leading(g.held()), g.speeds()
	standing := slices.DeleteFunc(slices.Clone(speeds), func(one Guess) bool { return !one.still })
	speeds = leading(slices.DeleteFunc(speeds, func(one Guess) bool { return one.still }))
	best1, best2, sum := -1, -1, math.Inf(-1)
	for i := range held {
		for j := range speeds {
			if overlap(held[i].Place, speeds[j].Place) || held[i].score < perhaps || speeds[j].score < perhaps {
				continue
			}
			bonus, _ := g.together(held[i], speeds[j])
			if total := held[i].score + speeds[j].score + bonus; total >= 2*enough && total > sum {
				best1, best2, sum = i, j, total
			}
		}
	}
	if best1 < 0 {
		p.miss(g, held, speeds, standing)
		return
	}
	p.Found = append(p.Found, g.settle(held, speeds[best2], false), g.settle(speeds, held[best1], true))
	for _, f := range p.Found {
		g.take(f.Place)
		for _, other := range f.Equal {
			g.take(other.Place)
		}
	}
}

// settle ranks the guesses of one of the two with the other one given.
func (g *guessing) settle(all []Guess, other Guess, speed bool) Found {
	var fit []Guess
	for _, one := range all {
		if overlap(one.Place, other.Place) {
			continue
		}
		a, b := one, other
		if speed {
			a, b = other, one
		}
		bonus, why := g.together(a, b)
		one.Reasons = slices.Clone(one.Reasons)
		if speed {
			one.weigh(bonus, "%s", why)
		} else {
			one.weigh(bonus, "")
		}
		one.Reasons = slices.DeleteFunc(one.Reasons, func(r string) bool { return r == "" })
		fit = append(fit, one)
	}
	first, equal := rank(fit)
	return Found{Guess: first, Equal: equal}
}

func leading(all []Guess) []Guess {
	slices.SortStableFunc(all, func(a, b Guess) int { return cmp.Compare(b.score, a.score) })
	return all[:min(len(all), candidates)]
}

// miss says why there is no pair.
func (p *Proposal) miss(g *guessing, held, speeds, standing []Guess) {
	moved := slices.ContainsFunc(g.numbers, func(n number) bool { return !n.still })
	switch {
	case len(g.numbers) == 0:
		p.unknown("No register answered: is the unit the right one, and do its registers lie elsewhere (--from, --table)?")
	case !moved:
		p.unknown("No register moved: the fan stands still, or the gateway repeats an old value. Look again while the fan runs.")
	case len(held) == 0 || held[0].score < perhaps:
		p.unknown("No register reads and moves like what a fan controls: look elsewhere (--from, --count), or for longer while the fan runs (--for 10m).")
	case len(speeds) == 0 || speeds[0].score < perhaps:
		p.unknown("No register reads and moves like a speed: look elsewhere (--from, --count), or for longer while the fan changes its speed (--for 10m).")
	default:
		p.unknown("No two registers go together like a speed and what it drives: look for longer while the fan changes its speed (--for 10m).")
	}
	if moved && len(held) > 0 && held[0].score >= perhaps {
		p.unknown(fmt.Sprintf("What the fan controls may be in %s, where it reads %s: %s.", lies(held[0].Place), p.say(held[0]), strings.Join(held[0].Reasons, "; ")))
	}
	for _, one := range standing[:min(len(standing), 4)] {
		p.unknown(fmt.Sprintf("The speed may be in %s, where %s stands all the time: that is a limit of the speed, and the setting of that limit reads the same.", lies(one.Place), p.say(one)))
	}
}

func (p *Proposal) unknown(says string) { p.Unknown = append(p.Unknown, says) }

// held are the guesses of what the fan controls.
func (g *guessing) held() []Guess {
	point := reading.Pressure
	if g.fan != nil {
		point = g.fan.Controlled()
	}
	var all []Guess
	for _, n := range g.numbers {
		if n.typ == decode.Uint16 {
			continue // a signed one reads the same until it could not be
		}
		for _, s := range scalings(point.Dimension(), n.typ) {
			one := Guess{Place: n.place(point, s), score: s.prior + n.worth}
			one.values = g.values(one.Place)
			if g.weighHeld(&one, n, s) {
				all = append(all, one)
			}
		}
	}
	return all
}

// weighHeld weighs one guess of what the fan controls; false: it cannot be.
func (g *guessing) weighHeld(one *Guess, n number, s scaling) bool {
	v := median(good(one.values))
	point := one.Place.Point
	switch {
	case !CanBe(point, v) || v == 0:
		return false
	case g.fan != nil && g.fan.HasProbeRange && (v < g.fan.ProbeLow || v > g.fan.ProbeHigh):
		return false
	case n.still:
		return false // it may be any setting
	case n.rough > 0.25:
		one.weigh(2, "it moves from look to look, as a measured value does")
	case n.rough <= 0.25:
		one.weigh(0.5, "it moves slowly")
	default:
		one.weigh(1, "it moves")
	}
	if n.typ == decode.Float32 && g.spread(Cell{n.cell.Table, n.cell.Address + n.high()}) == 0 {
		one.weigh(-2, "only the word of its small end moves, which may be another value's")
	}
	if n.typ == decode.Int32 {
		one.weigh(0.6, "two registers hold its sign together")
	}
	g.weighSign(one, v)
	g.weighSize(one, v, s)
	return true
}

// weighSign holds a value against the side of the probe. A guess without a fan has
// no side to go by.
func (g *guessing) weighSign(one *Guess, v float64) {
	if g.fan == nil || one.Place.Point != reading.Pressure {
		return
	}
	side, below := g.fan.ProbeSide(), g.fan.Probe != config.Discharge
	if below == (v < 0) {
		one.weigh(1, "its sign is that of a probe on %s", side)
	} else {
		one.weigh(-2, "its sign is not that of a probe on %s: the sign, the tubes or the side is wrong", side)
	}
}

// weighSize holds a value against the setpoint of the fleet file, which a fan is
// at or, at a limit, within a few times.
func (g *guessing) weighSize(one *Guess, v float64, s scaling) {
	if g.fan == nil || !g.fan.HasSetpoint || g.fan.Setpoint == 0 {
		if size := math.Abs(v); one.Place.Point == reading.Pressure && size >= 5 && size <= 400 {
			one.weigh(1, "its size is one that fans hold")
		}
		return
	}
	ratio := math.Abs(v / g.fan.Setpoint)
	switch points := 3 * (1 - math.Abs(math.Log(ratio))/math.Log(4)); {
	case points <= 0:
		one.weigh(-1, "it is far from the setpoint of the fleet file")
	case ratio > 0.85 && ratio < 1.15:
		one.weigh(points, "it is at the setpoint of the fleet file")
	default:
		one.weigh(points, "it is not far from the setpoint of the fleet file")
	}
	if g.holds(g.fan.Setpoint, one.Place, s) {
		one.weigh(1, "a register that never moves holds the setpoint at the same scale")
	}
}

// holds reports whether a still register of a guess's type holds a value at its
// scale, by more than a few counts.
func (g *guessing) holds(value float64, like config.PlacedPoint, s scaling) bool {
	for _, n := range g.holding {
		if n.typ == like.Encoding.Type && (n.typ.Words() == 1 || n.order == like.Encoding.Order) && !(n.cell == Cell{like.Table, like.Address}) && is(n, like.Encoding.Unit.Factor*s.scale, value) {
			return true
		}
	}
	return false
}

// is reports whether a still number is a value, as near as its counts allow. One of
// few counts, which many values come near, must be it exactly.
func is(n number, factor, value float64) bool {
	raw, want := good(n.raw)[0], value/factor
	if n.typ == decode.Float32 {
		return math.Abs(raw-want) <= 1e-3*math.Abs(want)
	}
	near := 0.5
	if math.Abs(want) < 50 {
		near = 0.01
	}
	return math.Abs(raw-want) <= near && math.Abs(raw) >= 2
}

// speeds are the guesses of the speed.
func (g *guessing) speeds() []Guess {
	var all []Guess
	for _, n := range g.numbers {
		if n.typ == decode.Int16 || n.typ == decode.Int32 {
			continue // a speed is never below zero
		}
		for _, s := range scalings(units.Ratio, n.typ) {
			one := Guess{Place: n.place(reading.Speed, s), score: s.prior + n.worth}
			one.values = g.values(one.Place)
			if g.weighSpeed(&one, n) {
				all = append(all, one)
			}
		}
	}
	return all
}

func (g *guessing) weighSpeed(one *Guess, n number) bool {
	low, high := extent(good(one.values))
	if low < -0.005 || high > 1.02 || high < 0.05 {
		return false
	}
	lowest, highest := 0.2, 1.0
	if g.fan != nil {
		lowest, highest = g.fan.MinSpeed, g.fan.MaxSpeed
	}
	atLimit := math.Abs(low-lowest) < 0.002 || math.Abs(high-highest) < 0.002
	switch {
	case n.still && atLimit:
		one.still = true
	case n.still:
		return false // it may be any setting
	case even(good(one.values)):
		one.weigh(-1, "it rises evenly, as a counter does")
	case math.IsNaN(n.rough) || high-low < jitter:
		one.weigh(1, "it moves a little")
	case n.rough > 0.5:
		one.weigh(0.5, "it moves from look to look, more than a speed does")
	default:
		one.weigh(2, "it moves slowly, as a speed does")
	}
	if !n.still && atLimit {
		one.weigh(0.5, "it ends exactly at a limit of the speed")
	}
	running := slices.DeleteFunc(good(one.values), func(v float64) bool { return v < 0.05 })
	least, _ := extent(running)
	switch {
	case least >= lowest-margin && high <= highest+margin:
		one.weigh(1.5, "it stays within the limits of the speed")
	default:
		one.weigh(-1, "it goes beyond the limits of the speed")
	}
	if one.Place.Table == decode.Holding {
		one.weigh(-0.3, "")
	}
	return true
}

// jitter is how far a steady speed may move without saying anything by it.
// (Engineering choice, from the margin of a limit.)
const jitter = 0.03

// even reports whether values only rise, and by nearly the same at every look.
func even(values []float64) bool {
	least, most := math.Inf(1), 0.0
	for k := 1; k < len(values); k++ {
		least, most = min(least, values[k]-values[k-1]), max(most, values[k]-values[k-1])
	}
	return len(values) > 5 && least > 0 && most <= 3*least
}

// together weighs two guesses by each other: a controller speeds up on demand, which
// is a rise of the pressure on suction and a fall on discharge and of an airflow.
func (g *guessing) together(held, speed Guess) (points float64, why string) {
	a, b := held.Place.Encoding, speed.Place.Encoding
	if a.Type == decode.Float32 && b.Type == decode.Float32 && a.Order != b.Order {
		return -2, "its order of words is not that of what the fan controls"
	}
	target := median(good(held.values))
	if g.fan != nil && g.fan.HasSetpoint {
		target = g.fan.Setpoint
	}
	var errors, steps []float64
	for k := 1; k < len(held.values); k++ {
		e, step := held.values[k-1]-target, speed.values[k]-speed.values[k-1]
		if !math.IsNaN(e) && !math.IsNaN(step) {
			errors, steps = append(errors, e), append(steps, step)
		}
	}
	if len(steps) < 10 || changes(good(speed.values)) < 3 {
		return 0, ""
	}
	low, high := extent(good(speed.values))
	if a, b := roughness(good(held.values)), roughness(good(speed.values)); high-low > jitter && a < b/2 {
		return -1.5, "it moves more from look to look than what the fan controls, and a speed does not"
	}
	r := correlation(errors, steps)
	if median(good(held.values)) > 0 {
		r = -r
	}
	switch {
	case r > 0.3:
		return 1.5, "it rises where what the fan controls shows demand, and falls where it does not"
	case r < -0.3:
		return -1, "it goes against what the fan controls"
	}
	return 0, ""
}

// correlation is Pearson's; 0 where one of the two does not move.
func correlation(a, b []float64) float64 {
	meanA, meanB := 0.0, 0.0
	for i := range a {
		meanA += a[i] / float64(len(a))
		meanB += b[i] / float64(len(b))
	}
	var ab, aa, bb float64
	for i := range a {
		ab += (a[i] - meanA) * (b[i] - meanB)
		aa += (a[i] - meanA) * (a[i] - meanA)
		bb += (b[i] - meanB) * (b[i] - meanB)
	}
	if aa == 0 || bb == 0 {
		return 0
	}
	return ab / math.Sqrt(aa*bb)
}
