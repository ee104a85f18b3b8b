package rules

import (
	"math"
	"slices"
)

// What a record of swings holds. (Engineering choices.)
const (
	// scales is over how many lengths of sample swings are looked for; each is
	// coarser times the one before, and each sees periods of 4 to 16 samples
	// well, the finest also shorter ones. Of polls every second two make a sample
	// of the finest: no wheel swings in less time.
	scales   = 3
	coarser  = 4
	shortest = 2.0 // s, of a sample
	// swingSamples is how many samples are kept: six cycles of 16.
	swingSamples = 96
	// fine is the step in which samples are kept, as a part of the amplitude that
	// counts: far less than noise, and 16 bits then reach to swings of 250 times
	// that.
	fine = 1.0 / 128

	shortestHalf = 2  // samples of a half-cycle: shorter ones are a finer scale's
	longestHalf  = 10 // longer ones are a coarser scale's
	swingEdge    = 0.25
	meanTime     = 24 // samples, time constant of a signal's slow mean
)

// loadLimit is the integral of |error| between two zero crossings from which on
// it is that of a disturbance rather than of noise: 2a/omega, which is what one
// half-cycle of a sine of amplitude a and of that period has. Hagglund 1995,
// Control Engineering Practice 3:1543-1551, who takes omega from the loop's
// integral time; as that is not known here, it is taken from the half-cycle
// itself, so that amplitudes beyond a count at every period.
func loadLimit(a, period float64) float64 { return a * period / math.Pi }

// sampledLimit is the same for the sum of so few samples: the most that n samples
// of a sine of amplitude a and of period 2n add up to. For many samples it is
// 2a/omega, omega a sample.
func sampledLimit(a float64, n int) float64 { return a / math.Sin(math.Pi/float64(2*n)) }

// halfCycle is what a signal did since it last crossed zero.
type halfCycle struct {
	side    int8
	samples int32
	area    float64 // of |signal|, in samples
}

// feed takes a sample and returns the half-cycle that it ends, if it does. A
// crossing by less than an swingEdge is none, so that noise does not cut a half-cycle
// in pieces.
func (h *halfCycle) feed(e, edge float64) (over halfCycle, ended bool) {
	side := int8(1)
	if e < 0 {
		side = -1
	}
	if h.side == 0 || side != h.side && math.Abs(e) > edge {
		over, ended = *h, h.side != 0
		*h = halfCycle{side: side}
	}
	h.samples++
	h.area += math.Abs(e)
	return over, ended
}

// scale looks for swings in samples of one length. It is kept small, because
// every fan has six.
type scale struct {
	next    uint8 // where in record the next sample goes
	n       uint8 // samples in record
	parts   uint8 // samples in part
	hits    uint8 // looks that found regular swings, since there are any
	misses  uint8 // looks in a row that found none
	regular bool
	mean    float64
	part    float64 // of the coarser sample

	half   halfCycle
	count  int32   // half-cycles in a row that were load disturbances
	pause  int32   // samples since the last of those
	age    int32   // samples since the first of them began
	looked int32   // samples since the last look
	length float32 // samples, mean of the last of those half-cycles
	depth  float32 // how far they went from the middle, in amplitudes that count, likewise
	period float32 // samples, at the last look
	height float32 // of its half-waves

	record [swingSamples]int16 // in steps of the grain
}

// Counting. (Six cycles are the definition; the rest are engineering choices.)
const (
	enough   = 12               // half-cycles until it is looked whether they are regular
	lookEach = swingSamples / 4 // samples between two looks, so that a reading stays cheap
	maxMiss  = 2

	// Swings so wide that nothing but a loop makes them, as from limit to limit,
	// need not be regular: demand that changes changes their period. Amplitudes
	// that count, and half-cycles in a row.
	wideSwings = 10.0
	wideEnough = 20
)

// feed takes a sample. Swings count from amplitude a, around zero or else
// around the signal's slow mean, in half-cycles of at least so many samples.
func (c *scale) feed(v, a, grain float64, aroundMean bool, least int32) {
	c.record[c.next] = int16(math.Round(min(max(v/grain, -math.MaxInt16), math.MaxInt16)))
	c.next = (c.next + 1) % swingSamples
	c.n = min(c.n+1, swingSamples)
	if aroundMean {
		c.mean += (v - c.mean) / float64(min(c.n, meanTime))
		v -= c.mean
	}
	c.pause++
	c.age++
	c.looked++
	if over, ended := c.half.feed(v, swingEdge*a); ended {
		c.weigh(over, a, least)
	}
	if c.count > 0 && c.still() {
		c.count, c.regular, c.hits, c.misses = 0, false, 0, 0
	}
}

// still reports whether nothing that counts has come for two cycles.
func (c *scale) still() bool { return float32(c.pause) > max(6, 4*c.length) }

// weigh counts a half-cycle, and looks from time to time whether those that
// were counted are regular.
func (c *scale) weigh(h halfCycle, a float64, least int32) {
	if h.samples < least || h.samples > longestHalf || h.area <= sampledLimit(a, int(h.samples)) {
		return
	}
	if c.count == 0 {
		c.age, c.length, c.depth = h.samples, float32(h.samples), 0
	}
	c.count++
	c.pause = 0
	c.length += (float32(h.samples) - c.length) / 4
	c.depth += (float32(h.area/float64(h.samples)/a) - c.depth) / 4
	if c.count < enough || c.looked < lookEach {
		return
	}
	c.looked = 0
	r := c.look()
	switch wide := c.depth >= wideSwings; {
	case r.regular():
	case !wide:
		c.miss()
		return
	case c.count < wideEnough:
		return
	default:
		r = rhythm{period: 2 * float64(c.length), height: 1}
	}
	c.period, c.height, c.regular, c.misses = float32(r.period), float32(r.height), true, 0
	c.hits = min(c.hits, math.MaxUint8-1) + 1
}

// miss notes a look that found nothing regular.
func (c *scale) miss() {
	if c.misses++; c.misses >= maxMiss {
		c.count, c.regular, c.hits, c.misses = 0, false, 0, 0
	}
}

// look finds the rhythm of the record.
func (c *scale) look() rhythm {
	var samples [swingSamples]float64
	return rhythmOf(c.ordered(&samples))
}

// ordered copies the record, the oldest first.
func (c *scale) ordered(to *[swingSamples]float64) []float64 {
	n := int(c.n)
	for i := range n {
		to[i] = float64(c.record[(int(c.next)+swingSamples-n+i)%swingSamples])
	}
	return to[:n]
}

// span is the mean distance of the highest and the lowest sample of a period,
// over the periods that the record holds, in steps of the grain.
func (c *scale) span(period float64) float64 {
	var samples [swingSamples]float64
	all := c.ordered(&samples)
	long := min(max(int(math.Round(period)), 2), len(all))
	total, n := 0.0, 0
	for end := len(all); end >= long && long > 0 && n < enough/2; end -= long {
		one := all[end-long : end]
		total += slices.Max(one) - slices.Min(one)
		n++
	}
	return total / float64(max(n, 1))
}

// swings looks for swings of one signal at every scale. Readings come at
// uneven distances: each stands for the time since the one before.
type swings struct {
	pitch  float64 // s, a sample of the finest scale; 0: not begun
	gone   float64 // s of the sample that is being filled
	sum    float64 // value times s of it
	grain  float64 // step in which samples are kept; 0: nothing was yet
	clear  uint8   // a bit for each scale that swings regularly
	scales [scales]scale
}

// feed takes a reading that came some seconds after the last one.
func (w *swings) feed(v, seconds, a float64, aroundMean bool) {
	if w.grain == 0 {
		w.grain = max(fine*a, 1e-6)
	}
	for seconds > 0 {
		part := min(seconds, w.pitch-w.gone)
		w.sum += v * part
		w.gone += part
		seconds -= part
		if w.gone < w.pitch*(1-1e-9) {
			return
		}
		w.rise(w.sum/w.gone, a, aroundMean)
		w.sum, w.gone = 0, 0
	}
}

// rise takes a sample of the finest scale and hands it on to the coarser ones.
func (w *swings) rise(v, a float64, aroundMean bool) {
	least := int32(1)
	for i := range w.scales {
		c := &w.scales[i]
		c.feed(v, a, w.grain, aroundMean, least)
		if w.clear &^= 1 << i; c.regular {
			w.clear |= 1 << i
		}
		least = shortestHalf
		c.part += v
		if c.parts++; c.parts < coarser {
			return
		}
		v = c.part / coarser
		c.part, c.parts = 0, 0
	}
}

// pitchOf is the length of a sample of a scale, in s.
func (w *swings) pitchOf(i int) float64 { return w.pitch * float64(int(1)<<(2*i)) }

// begin starts the record anew, with samples of a length.
func (w *swings) begin(pitch float64) { *w = swings{pitch: max(pitch, shortest)} }

// rhythm is what the autocorrelation of a signal says of its swings.
type rhythm struct {
	period     float64 // samples
	regularity float64 // r of the intervals between its zero crossings
	decay      float64 // R of its extrema; 1 where the swings go on as they are
	lobes      int     // that are clear
	height     float64 // of the least clear of the first ones
}

// Bounds of what is regular. (Engineering choices, beside the published ones.)
const (
	lobes    = 4   // half-waves of the autocorrelation that must be clear
	faint    = 0.4 // an extremum below it is not clear
	mostSeen = 11  // crossings that are looked at
)

// regular reports whether swings are regular and go on: r > 1 (Thornhill and
// Hagglund 1997, Control Engineering Practice 5(10):1343-1354) and R > 0.5
// (Miao and Seborg 1999), over the first half-waves of the autocorrelation, which
// are all clear: noise that rings, and a loop that is struck and settles, fade
// within them.
func (r rhythm) regular() bool {
	return r.lobes >= lobes && r.regularity > 1 && r.decay > 0.5
}

// regularity is r = mean / (3 sigma) of some intervals.
func regularity(intervals []float64) float64 {
	n := float64(len(intervals))
	mean := sum(intervals) / n
	squares := 0.0
	for _, v := range intervals {
		squares += (v - mean) * (v - mean)
	}
	return mean / (3 * math.Sqrt(squares/(n-1)))
}

// decayRatio is R = a/b: how far the first maximum lies above the line through
// the two minima beside it, over how far the first minimum lies below the line
// through the maxima beside it, of which the first is that at lag 0. The extrema
// are taken as equally far apart.
func decayRatio(min1, max1, min2 float64) float64 {
	return (max1 - (min1+min2)/2) / ((1+max1)/2 - min1)
}

// rhythmOf finds the rhythm of samples at even distances. It spends the mean and
// the slope of x. It gives up at the first half-wave of the autocorrelation
// that is not clear, which for noise is soon.
func rhythmOf(x []float64) rhythm {
	flatten(x)
	n := len(x)
	power := dot(x, x) / float64(n)
	if !(power > 0) || math.IsInf(power, 0) {
		return rhythm{}
	}
	var at, extreme [mostSeen]float64 // crossings, and the extremum after each
	seen, before := 0, 1.0
	for lag := 1; lag <= n/2; lag++ {
		rho := dot(x[:n-lag], x[lag:]) / float64(n-lag) / power
		if (rho < 0) != (before < 0) {
			here := float64(lag) - rho/(rho-before)
			// A half-wave of less than two samples may be missed at its height.
			if seen == mostSeen {
				break
			}
			if seen > 0 && math.Abs(extreme[seen-1]) < faint &&
				(seen == 1 || here-at[seen-1] >= 2 || math.Abs(extreme[seen-2]) < faint) {
				break
			}
			at[seen] = here
			seen++
		}
		if seen > 0 && math.Abs(rho) > math.Abs(extreme[seen-1]) {
			extreme[seen-1] = rho
		}
		before = rho
	}
	if seen < lobes+1 {
		return rhythm{lobes: max(seen-1, 0)}
	}
	var intervals [mostSeen - 1]float64
	for i := range seen - 1 {
		intervals[i] = at[i+1] - at[i]
	}
	height := 1.0
	for _, e := range extreme[:lobes] {
		height = min(height, math.Abs(e))
	}
	return rhythm{period: 2 * (at[seen-1] - at[0]) / float64(seen-1), regularity: regularity(intervals[:seen-1]),
		decay: decayRatio(extreme[0], extreme[1], extreme[2]), lobes: seen - 1, height: height}
}

// flatten takes the mean and the slope out of x.
func flatten(x []float64) {
	middle, up, squares := float64(len(x)-1)/2, 0.0, 0.0
	mean := sum(x) / float64(len(x))
	for i := range x {
		d := float64(i) - middle
		x[i] -= mean
		up += d * x[i]
		squares += d * d
	}
	if squares == 0 {
		return
	}
	for i := range x {
		x[i] -= up / squares * (float64(i) - middle)
	}
}

func sum(x []float64) float64 {
	total := 0.0
	for _, v := range x {
		total += v
	}
	return total
}

// dot is the inner product of two slices of one length. It is written out
// because those of the numerical libraries let their arguments escape, and a
// reading must not allocate; four sums at a time make it as fast.
func dot(x, y []float64) float64 {
	var a, b, c, d float64
	y = y[:len(x)]
	for len(x) >= 4 && len(y) >= 4 {
		a += x[0] * y[0]
		b += x[1] * y[1]
		c += x[2] * y[2]
		d += x[3] * y[3]
		x, y = x[4:], y[4:]
	}
	for i := range x {
		a += x[i] * y[i]
	}
	return a + b + c + d
}
