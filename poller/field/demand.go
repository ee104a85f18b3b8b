package field

import (
	"math"
	"math/rand/v2"

	"fanwarden/config"
)

// habit is how the rooms behind one duty of fan use it: which share of their
// branches is open in each hour of the day, and for how long at a time.
// (Engineering estimates.)
type habit struct {
	hours [24]float64 // share of branches open, 1 being the busiest hour
	busy  float64     // share of branches open in the busiest hour
	long  float64     // s, mean
	crowd float64     // chance that a day has a peak at which nearly all are open
}

var (
	mornings = [24]float64{.04, .02, .02, .02, .05, .2, .8, 1, .8, .5, .3, .25, .3, .3, .25, .3, .4, .5, .6, .7, .8, .9, .5, .2}
	days     = [24]float64{0, 0, 0, 0, 0, 0, .1, .5, .9, 1, 1, 1, .9, 1, 1, .9, .8, .5, .3, .2, .1, 0, 0, 0}
	meals    = [24]float64{0, 0, 0, 0, 0, .3, .8, .9, .5, .3, .6, 1, 1, .6, .3, .3, .6, 1, 1, .7, .3, .1, 0, 0}
	evenings = [24]float64{.05, 0, 0, 0, 0, 0, .1, .3, .5, .6, .6, .6, .5, .5, .6, .7, .8, .9, 1, 1, .9, .7, .4, .2}
	rush     = [24]float64{0, 0, 0, 0, 0, .1, .5, 1, .8, .3, .2, .2, .4, .3, .2, .4, .8, 1, .7, .3, .2, .2, .1, 0}
)

// habitOf returns the habit of a duty.
func habitOf(duty config.Duty) habit {
	switch duty {
	case config.Laundry, config.DryerShaft:
		return habit{evenings, 0.22, 40 * 60, 0.15}
	case config.Kitchen:
		return habit{meals, 0.28, 50 * 60, 0.1}
	case config.Garage:
		return habit{rush, 0.25, 15 * 60, 0.2}
	case config.Laboratory:
		return habit{days, 0.3, 60 * 60, 0}
	case config.Bath:
		return habit{mornings, 0.24, 12 * 60, 0.4}
	}
	return habit{days, 0.25, 30 * 60, 0.1}
}

// pushes reports whether what a duty opens into the riser are small fans of
// their own (bath fans, dryers) rather than plain openings.
func pushes(duty config.Duty) bool {
	switch duty {
	case config.Garage, config.Laboratory, config.Kitchen, config.SmokeControl:
		return false
	}
	return true
}

// crowdShort and crowdLong bound a peak, in s: shorter than anyone would call
// a fault.
const crowdShort, crowdLong = 8 * 60, 16 * 60

// branches are the exhausts of a riser, coming and going.
type branches struct {
	rnd    *rand.Rand
	habit  habit
	each   []branch
	most   int     // that are open at a time on an ordinary day
	open   int     // now
	always float64 // m3/s at 1 Pa of what never closes
	quiet  int64   // s that pass at least between the last one's closing and the next opening
	since  int64   // second of the last closing
	next   int64   // of the next change

	crowdFrom, crowdTo int64 // of the day's peak
	crowded            bool
}

// branch is one exhaust.
type branch struct {
	size float64 // m3/s at 1 Pa
	open bool
	next int64
}

// step returns the conductance of all that is open at a second of the run,
// given the hour of the day.
func (b *branches) step(now int64, hour int) float64 {
	if now >= b.next {
		b.change(now, hour)
	}
	b.crowded = now >= b.crowdFrom && now < b.crowdTo
	total, crowd := b.always, b.crowd(now)
	for i := range b.each {
		if b.each[i].open || i < crowd {
			total += b.each[i].size
		}
	}
	return total
}

// all is the conductance with every branch open.
func (b *branches) all() float64 {
	total := b.always
	for i := range b.each {
		total += b.each[i].size
	}
	return total
}

// crowd is how many branches a peak holds open: they come within a minute and
// go within three.
func (b *branches) crowd(now int64) int {
	if !b.crowded {
		return 0
	}
	share := min(float64(now-b.crowdFrom)/60, float64(b.crowdTo-now)/180, 1)
	return int(math.Ceil(share * float64(len(b.each))))
}

// change opens and closes the branches whose time has come. Times between
// openings are exponential at the busiest hour's rate, thinned by the hour's
// share, so that the hour counts at once.
func (b *branches) change(now int64, hour int) {
	b.next = now + 1<<40
	for i := range b.each {
		e := &b.each[i]
		if now >= e.next {
			if e.open {
				e.open = false
				b.open--
				b.since = now
			} else if b.rnd.Float64() < b.habit.hours[hour] && b.open < b.most && (b.open > 0 || now >= b.since+b.quiet) {
				e.open = true
				b.open++
			}
			e.next = now + 1 + b.wait(e.open)
		}
		b.next = min(b.next, e.next)
	}
}

// wait draws, in s, how long a branch stays as it is.
func (b *branches) wait(open bool) int64 {
	if open {
		return int64(b.habit.long * (0.3 + b.rnd.ExpFloat64()*0.7))
	}
	return int64(b.rnd.ExpFloat64() * b.habit.long * (1 - b.habit.busy) / b.habit.busy)
}

// day draws whether and when a day that begins at a second has its peak.
func (b *branches) day(begin int64) {
	long := crowdShort + b.rnd.Int64N(crowdLong-crowdShort)
	hour := 8 + b.rnd.IntN(12)
	if b.habit.hours[7] >= 0.8 {
		hour = 7
	}
	from := begin + int64(hour)*3600 + b.rnd.Int64N(3600)
	if chance := b.rnd.Float64(); chance < b.habit.crowd {
		b.crowdFrom, b.crowdTo = from, from+long
	}
}
