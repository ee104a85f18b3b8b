package report

import "time"

// Energy is what a fan's motor took in the time that is recorded; nothing is
// said of the rest.
//
// Measured watts are the best there is, and stand alone where a power point is
// read. Else it is a range: rated power times the part-load curves of two published
// methods, with the share of full speed for the share of full flow, at every
// instant from the lower of the two to the higher. (They cross: the sums of each may
// agree by chance, and say nothing of how well either is known.) The cube law is none
// of them: a fan that holds a constant pressure takes about twice what it says at
// half flow.
type Energy struct {
	How Method
	// Over is the time that the figures are of.
	Over time.Duration
	// Low and High are in J, and the same where it was measured.
	Low, High float64
	// Table is by ASHRAE 90.1 alone, NoReset by CEC 2003, both in J; zero where it was
	// measured.
	Table, NoReset float64
}

// Method is how an energy was found.
type Method uint8

// The methods.
const (
	NotKnown  Method = iota // no power is read, and rated_power is not given
	Measured                // the watts of a power point, added up
	Estimated               // a range by part-load curves
)

// String returns the method as it stands in answers.
func (m Method) String() string { return [...]string{"not_known", "measured", "estimated"}[m] }

// curves adds up part-load power, as seconds at full power.
type curves struct{ table, noReset, low, high float64 }

// add lets a fan run at a share of its full speed for so many seconds.
func (c *curves) add(speed, seconds float64) {
	table, noReset := partLoadTable(speed), partLoadNoReset(speed)
	c.table += table * seconds
	c.noReset += noReset * seconds
	c.low += min(table, noReset) * seconds
	c.high += max(table, noReset) * seconds
}

// partLoadTable is the power of a fan as a share of its full power, by the share
// of its full flow: ASHRAE 90.1, table G3.1.3.15.
func partLoadTable(x float64) float64 {
	return cubic(x, 0.0013, 0.1470, 0.9506, -0.0998)
}

// partLoadNoReset is the same of a fan whose static pressure is held constant ("no
// reset"): CEC 2003, Advanced Variable Air Volume System Design Guide, appendix 5.
func partLoadNoReset(x float64) float64 {
	return cubic(x, 0.070428852, 0.385330201, -0.460864118, 1.00920344)
}

// cubic takes no share for more than all.
func cubic(x, a, b, c, d float64) float64 {
	x = min(max(x, 0), 1)
	return a + x*(b+x*(c+x*d))
}

// energy tells what the motor took. A fan at rest takes nothing by the curves.
func (t *tally) energy() Energy {
	rated := t.fan.RatedPower
	switch {
	case t.meant > 0:
		return Energy{How: Measured, Over: t.meant, Low: t.metered, High: t.metered}
	case rated > 0 && t.sum.Recorded > 0:
		return Energy{How: Estimated, Over: t.sum.Recorded, Low: rated * t.curves.low, High: rated * t.curves.high,
			Table: rated * t.curves.table, NoReset: rated * t.curves.noReset}
	}
	return Energy{}
}
