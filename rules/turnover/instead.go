package turnover

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fanwarden/poller/reading"
)

// instead names the ways to read a failed point that fit, and lets what depends
// on it be judged by the best of them: one mistake shall not fail every point. A
// speed that no way fits is not gone by at all.
func (t *trace) instead(at int, test func([]float64) found) string {
	point := t.points[at].Point
	fit := t.better(at, test)
	switch {
	case len(fit) > 0:
		t.series[point] = fit[0].values
	case point == reading.Speed:
		t.series[point] = t.read(at, Way{Read: func(*Answer) (float64, bool) { return 0, false }})
	}
	says := ""
	for i, c := range fit {
		if i == 2 || i == 1 && (point.Contact() || compareFar(fit[0].far, c.far) != 0) {
			break
		}
		says += map[bool]string{true: "; ", false: ", or "}[i == 0] + t.reads(at, &c)
	}
	return says
}

// reads says what a point is in another way.
func (t *trace) reads(at int, c *candidate) string {
	place := t.points[at]
	value := t.write(place.Point, c.value)
	switch {
	case place.Point.Contact():
		return c.says + " it fits"
	case c.kind == Sign && len(c.words) > 0 && strings.HasSuffix(c.says, ")"): // the other type: a number that people know from elsewhere
		raw, _ := plain(place).Decode(c.words)
		return fmt.Sprintf("%.0f (%s) is %s if %s", raw, Hex(c.words), value, c.says)
	case c.kind == Neighbour && c.moves && changes(good(t.read(at, own(place)))) == 0:
		with := ""
		if place.Point != reading.Speed && together(c.values, t.series[reading.Speed]) {
			with = " with the speed"
		}
		return fmt.Sprintf("%s this is %s, and the value moves%s", c.says, value, with)
	}
	return c.says + " this is " + value
}

// together reports whether two series rise and fall together, or against each other
// (four fifths of a perfect correlation; engineering choice).
func together(a, b []float64) bool {
	if len(a) != len(b) {
		return false
	}
	var x, y []float64
	for k := range a {
		if !math.IsNaN(a[k]) && !math.IsNaN(b[k]) {
			x, y = append(x, a[k]), append(y, b[k])
		}
	}
	var n, sx, sy, sxx, syy, sxy = float64(len(x)), 0.0, 0.0, 0.0, 0.0, 0.0
	for k := range x {
		sx, sy, sxx, syy, sxy = sx+x[k], sy+y[k], sxx+x[k]*x[k], syy+y[k]*y[k], sxy+x[k]*y[k]
	}
	spread := (n*sxx - sx*sx) * (n*syy - sy*sy)
	return spread > 0 && math.Abs(n*sxy-sx*sy) > 0.8*math.Sqrt(spread)
}

// candidate is another way to read a point, and how far from what is expected it
// reads.
type candidate struct {
	kind   Kind
	says   string
	moves  bool
	words  []uint16 // that were read last
	far    float64
	value  float64
	values []float64
}

// better lists the ways to read a failed point that fit, the best first. A contact
// fits only where both its sides were seen.
func (t *trace) better(at int, test func([]float64) found) []candidate {
	point := t.points[at].Point
	expected, _ := t.expected(point)
	var fit []candidate
	for _, w := range Others(t.points[at]) {
		values := t.read(at, w)
		real := good(values)
		if len(real)*2 <= len(t.looks) || tiny(median(real)) {
			continue
		}
		if verdict := test(values).verdict; verdict == Fail || point.Contact() && verdict != Pass {
			continue
		}
		c := candidate{kind: w.Kind, says: w.Says, value: real[len(real)-1], values: values, far: 1, moves: changes(real) > 0}
		for k, v := range values {
			if !math.IsNaN(v) {
				c.words = t.looks[k].Answers[at].Words
			}
		}
		if expected != nil {
			c.far = math.Abs(median(real)-*expected) / max(math.Abs(*expected), 1e-9)
		} else if c.moves {
			c.far = 0.5
		}
		fit = append(fit, c)
	}
	slices.SortStableFunc(fit, func(a, b candidate) int { return compareFar(a.far, b.far) })
	return fit
}
