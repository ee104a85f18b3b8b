package rules

import (
	"math"
	"slices"
	"time"

	"fanwarden/rules/condition"
)

// creeping judges creeping_load: the fan needs more and more speed for the same
// duty, week by week. Hours are compared with like hours: what an hour of the
// day, on a working day or at a weekend, took in the first two weeks is the
// fan's duty; how much more it takes now, on the mean of a day, is its excess.
// What the fans around it need more too is the season, or the building, and is
// taken off: the median of the same building's fans on the same day, as a share of
// what each of them is used to, for by the fan laws a riser that loses twice the
// air asks for a share more of speed, not for so many points more. Draught goes
// with the height of a riser, so that fans of others tell only part of its season.
//
// It is raised when the excess has been going up for long enough that chance
// does not explain it (a cumulative sum of the normalised excess; NIST/SEMATECH
// e-Handbook of Statistical Methods, 6.3.2.3) and its mean of about a week
// (exponentially weighted, 6.3.2.4) is creep_points or more; twice as much where
// there are no other fans to tell the season from. It is over when the mean is
// back below half of that.
//
// Only hours count in which the fan ran for half an hour or more at a speed of
// its controller's own choice, not at its lowest (which says that it needs no
// more than that), at the setpoint that it had when its duty was
// learned. A fan whose setpoint stays elsewhere for a week is learned anew.
type creeping struct {
	hold   time.Duration
	points float64

	duty      [2 * 24]likeHour // working days, weekends
	setpoint  float64
	known     bool // the setpoint of the duty
	begun     int64
	elsewhere int // days in a row at another setpoint

	hourEnds int64 // 0: no hour has begun
	hour     int   // of duty
	day      int   // number of the day, local
	ran      time.Duration
	speed    float64 // sum over ran, ratio x s
	excess   float64 // sum of the day so far
	usual    float64 // sum of what these hours used to take
	hours    int     // in it
	away     int     // hours of the day at another setpoint

	days   [2]dayExcess // the last two that are complete
	spread float64      // mean of |excess| while learning
	n      int          // days that it was taken over
	sum    float64      // cumulative, in standard deviations
	mean   filter       // of the excess, seasons taken off
	rises  int64        // since when the sum is above zero
	full   bool
	fullAt int64
	alone  bool // no other fan told the season
}

// likeHour is the mean speed of one hour of a kind of day.
type likeHour struct {
	speed float32
	n     uint16
}

// dayExcess is how much more speed a fan needed on one day.
type dayExcess struct {
	day   int
	share float64 // of what it used to need
	usual float64 // speed, that it used to need
	valid bool
}

// (Engineering choices, but for the two of the cumulative sum, which are the
// customary ones of the handbook's tables: half a standard deviation of slack, and
// five of them to signal.)
const (
	firstWeeks    = 14 * 24 * time.Hour
	oneWeek       = 7 * 24 * time.Hour
	leastOfHour   = 30 * time.Minute
	leastHours    = 6 // of a day
	creepSlack    = 0.5
	creepSignal   = 5.0
	leastCreep    = 0.01 // speed: one point
	creepTime     = 7 * 24 * time.Hour
	fewestOther   = 3
	mostOther     = 64
	commonHeight  = 20.0 // m, of a riser of which it is not known
	mostElsewhere = 7    // days at another setpoint
	mostSum       = 50   // keeps the sum from growing for ever
)

func (c *creeping) configure(_ *fan, s condition.Setting) {
	c.hold, c.points = s.Hold, s.Own[condition.CreepPoints]
}

func (c *creeping) judge(f *fan, s *sample) condition.State {
	if !s.judgeable() {
		return condition.CannotJudge
	}
	if s.now >= c.hourEnds || c.hourEnds-s.now > int64(time.Hour) {
		c.turnHour(f, s)
	}
	if !s.gapped() && s.sinceLast <= s.gap {
		c.count(s)
	}
	if c.full && time.Duration(s.now-c.fullAt) >= c.hold {
		return condition.Present
	}
	if c.n == 0 {
		return condition.CannotJudge
	}
	return condition.Absent
}

// count adds the time since the last sample to the hour.
func (c *creeping) count(s *sample) {
	if !running.has(s.mode) || s.mode == condition.Starting {
		return
	}
	c.ran += s.sinceLast
	c.speed += s.speed * s.sinceLast.Seconds()
}

// turnHour ends the hour, and the day with its last one.
func (c *creeping) turnHour(f *fan, s *sample) {
	if c.hourEnds != 0 {
		c.endHour(f, s)
	}
	local := time.Unix(0, s.now).In(f.zone)
	year, month, date := local.Date()
	day := int(time.Date(year, month, date, 0, 0, 0, 0, time.UTC).Unix() / (24 * 3600))
	if c.hourEnds != 0 && day != c.day {
		c.endDay(f, s)
	}
	c.day, c.hour = day, local.Hour()
	if weekday := local.Weekday(); weekday == time.Saturday || weekday == time.Sunday {
		c.hour += 24
	}
	c.hourEnds = time.Date(year, month, date, local.Hour()+1, 0, 0, 0, f.zone).UnixNano()
	if c.hourEnds <= s.now { // an hour that a change of the clock repeats
		c.hourEnds = s.now + int64(time.Hour)
	}
	if c.begun == 0 {
		c.begun = s.now
	}
}

// endHour compares an hour with its like, or learns from it.
func (c *creeping) endHour(f *fan, s *sample) {
	ran, speed := c.ran, c.speed/max(c.ran.Seconds(), 1)
	c.ran, c.speed = 0, 0
	if ran < leastOfHour || speed <= f.cfg.MinSpeed+atLimit+rounding {
		return
	}
	if !c.known {
		c.known, c.setpoint = true, s.setpoint
	}
	if math.Abs(s.setpoint-c.setpoint) > s.tolerance {
		c.away++
		return
	}
	like := &c.duty[c.hour]
	age := time.Duration(s.now - c.begun)
	if age >= oneWeek && like.n > 0 {
		c.excess += speed - float64(like.speed)
		c.usual += float64(like.speed)
		c.hours++
	}
	if age < firstWeeks || like.n == 0 {
		like.n++
		like.speed += (float32(speed) - like.speed) / float32(like.n)
	}
}

// endDay keeps the day's excess, and judges the day before it: by now every fan
// has that one.
func (c *creeping) endDay(f *fan, s *sample) {
	today := dayExcess{day: c.day, valid: c.hours >= leastHours}
	if today.valid {
		today.share, today.usual = c.excess/c.usual, c.usual/float64(c.hours)
	}
	if c.away > c.hours {
		c.elsewhere++
	} else {
		c.elsewhere = 0
	}
	c.excess, c.usual, c.hours, c.away = 0, 0, 0, 0
	if c.elsewhere >= mostElsewhere {
		c.forget()
		return
	}
	before := c.days[1]
	c.days[0], c.days[1] = before, today
	if before.valid {
		c.judgeDay(f, s, before)
	}
}

// judgeDay takes one day's excess into the sums.
func (c *creeping) judgeDay(f *fan, s *sample, d dayExcess) {
	season, others := f.season(d.day)
	c.alone = !others
	excess := (d.share - season) * d.usual
	if time.Duration(s.now-c.begun) < firstWeeks {
		c.n++
		c.spread += (math.Abs(excess) - c.spread) / float64(c.n)
		return
	}
	if c.n == 0 {
		c.n = 1
	}
	const meanToDeviation = 1.2533 // of a normal distribution: sqrt(pi/2)
	deviation := max(meanToDeviation*c.spread, leastCreep)
	c.sum = min(cumulate(c.sum, excess/deviation, creepSlack), mostSum)
	mean := c.mean.feed(excess, 24*time.Hour, creepTime)
	if c.sum == 0 {
		c.rises = s.now
	}
	need := c.points
	if c.alone {
		need *= 2
	}
	if c.full {
		c.full = mean >= need/2
		return
	}
	if c.sum >= creepSignal && mean >= need {
		c.full, c.fullAt = true, s.now
	}
}

// cumulate adds one deviation, less the slack k, to a one-sided cumulative sum:
// S = max(0, S + x - k) (NIST/SEMATECH e-Handbook of Statistical Methods,
// 6.3.2.3).
func cumulate(sum, x, k float64) float64 { return max(0, sum+x-k) }

// season is the median excess of the other fans of the building on a day, as a
// share of what each is used to; it is all of the season if enough of their risers
// are about as high.
func (f *fan) season(day int) (median float64, whole bool) {
	var all [mostOther]float64
	n, alike := 0, 0
	for _, other := range f.neighbours {
		if other == f || n == mostOther || slices.Contains(f.partners, other) {
			continue
		}
		if c := other.creeping(); c != nil {
			for _, d := range c.days {
				if d.valid && d.day == day {
					all[n] = d.share
					n++
					if f.asHigh(other) {
						alike++
					}
				}
			}
		}
	}
	if n < fewestOther {
		return 0, false
	}
	slices.Sort(all[:n])
	return (all[(n-1)/2] + all[n/2]) / 2, alike >= fewestOther
}

// asHigh reports whether another fan's riser is about as high, as far as the
// fleet file says.
func (f *fan) asHigh(other *fan) bool {
	a, b := f.cfg.RiserHeight, other.cfg.RiserHeight
	if a <= 0 {
		a = commonHeight
	}
	if b <= 0 {
		b = commonHeight
	}
	return max(a, b) <= 2*min(a, b)
}

// creeping returns the fan's rule of that name.
func (f *fan) creeping() *creeping {
	for i := range f.rules {
		if c, is := f.rules[i].rule.(*creeping); is {
			return c
		}
	}
	return nil
}

func (c *creeping) since() int64 { return c.rises }

func (c *creeping) severity(s condition.Setting) condition.Severity { return s.Severity }

// rest: an hour in which the fan is not its controller's own does not count.
func (c *creeping) rest() {}

func (c *creeping) forget() { *c = creeping{hold: c.hold, points: c.points} }
