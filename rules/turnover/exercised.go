package turnover

import (
	"fmt"
	"math"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Judge says what an exercise proved of a fan.
func Judge(fleet *config.Fleet, f *config.Fan, c *Course) []Seen {
	t := newTrace(f, fleet.Units, c.Looks)
	s := &stretches{t: t, course: c}
	return []Seen{s.followed(), s.response(), s.contact(), s.limits(), s.released()}
}

// stretches are the times in which a fan was forced to one speed.
type stretches struct {
	t      *trace
	course *Course
}

// held is how one forced speed went, once it had settled.
type held struct {
	forced, speed, value float64
}

// each returns the stretches with enough settled looks, the last third of each.
func (s *stretches) each() []held {
	var all []held
	for i, m := range s.course.Marks {
		if math.IsNaN(m.Speed) {
			continue
		}
		end := s.end(i)
		from := end.Add(-end.Sub(m.Time) / 3)
		in := func(k int) bool {
			at := s.t.looks[k].Time
			return end.Sub(m.Time) >= settle && !at.Before(from) && at.Before(end)
		}
		speed, value := s.t.during(s.t.series[reading.Speed], in), s.t.during(s.t.series[s.t.fan.Controlled()], in)
		if len(speed) > 0 && len(value) > 0 {
			all = append(all, held{m.Speed, median(speed), median(value)})
		}
	}
	return all
}

// end is when the i-th mark ceased to hold.
func (s *stretches) end(i int) time.Time {
	if i+1 < len(s.course.Marks) {
		return s.course.Marks[i+1].Time
	}
	if n := len(s.t.looks); n > 0 {
		return s.t.looks[n-1].Time.Add(lookEvery)
	}
	return s.course.Marks[i].Time
}

// followed judges whether the speed reads what was forced, which proves its scale
// and its span.
func (s *stretches) followed() Seen {
	const what = "speed as forced"
	all := s.each()
	if len(all) < 2 {
		return seen(what, notSeen("too few speeds were held"))
	}
	var off []string
	for _, h := range all {
		if math.Abs(h.speed-h.forced) > follows+s.t.fan.Count(reading.Speed) {
			off = append(off, fmt.Sprintf("%s at %s", s.t.write(reading.Speed, h.speed), s.t.write(reading.Speed, h.forced)))
		}
	}
	if len(off) == 0 {
		return seen(what, passes("the speed read what was forced at %d speeds from %s to %s", len(all), s.t.write(reading.Speed, s.lowest(all)), s.t.write(reading.Speed, s.highest(all))))
	}
	f := fails("the speed did not read what was forced: %s", strings.Join(off, ", "))
	if slope, at := line(all); slope > 0 && math.Abs(slope*s.t.fan.MinSpeed+at) < 0.05 && math.Abs(slope+at-1) < 0.05 && s.t.fan.MinSpeed > 0.1 {
		f.reason += fmt.Sprintf("; the map shows 0 %% where the fan is slowest (%s): give the point scale and offset that lead from there to 100 %%", s.t.write(reading.Speed, s.t.fan.MinSpeed))
	}
	return seen(what, f)
}

func (s *stretches) lowest(all []held) float64 {
	low := math.Inf(1)
	for _, h := range all {
		low = min(low, h.forced)
	}
	return low
}

func (s *stretches) highest(all []held) float64 {
	high := math.Inf(-1)
	for _, h := range all {
		high = max(high, h.forced)
	}
	return high
}

// line is the straight one through what the speed read against what was forced, by
// least squares.
func line(all []held) (slope, at float64) {
	var n, sx, sy, sxx, sxy float64
	for _, h := range all {
		n, sx, sy, sxx, sxy = n+1, sx+h.forced, sy+h.speed, sxx+h.forced*h.forced, sxy+h.forced*h.speed
	}
	d := n*sxx - sx*sx
	if d == 0 {
		return 0, 0
	}
	slope = (n*sxy - sx*sy) / d
	return slope, (sy - slope*sx) / n
}

// response judges whether the pressure answered to the speed, and with the sign of
// the probe's side. Forced steps prove it; the closed loop never does (Soderstrom
// and Stoica; Ljung).
func (s *stretches) response() Seen {
	const what = "response"
	all := s.each()
	if len(all) < 2 {
		return seen(what, notSeen("too few speeds were held"))
	}
	low, high := all[0], all[0]
	for _, h := range all {
		if h.forced < low.forced {
			low = h
		}
		if h.forced > high.forced {
			high = h
		}
	}
	p := s.t.fan.Controlled()
	rise := high.value - low.value
	reads := fmt.Sprintf("from %s at %s to %s at %s", s.t.write(p, low.value), s.t.write(reading.Speed, low.forced), s.t.write(p, high.value), s.t.write(reading.Speed, high.forced))
	want := 1.0
	if s.t.fan.ProbeSide() == "suction" {
		want = -1
	}
	switch {
	case high.forced-low.forced < 0.2:
		return seen(what, notSeen("the speeds that were held lie too near to each other"))
	case math.Abs(rise) < max(2, 2*s.t.fan.Count(p)) && p == reading.Pressure:
		return seen(what, fails("the reading hardly moved, %s: the wheel moves nothing, the tubes are off, or the point is another one", reads))
	case rise*want < 0:
		return seen(what, fails("the reading moved the wrong way, %s: a probe on %s reads the other way", reads, s.t.fan.ProbeSide()))
	}
	return seen(what, passes("the reading moved %s", reads))
}

// contact records where the high-speed contact made and broke.
func (s *stretches) contact() Seen {
	const what = "contact"
	if _, mapped := s.t.fan.Placed(reading.HighSpeed); !mapped {
		return seen(what, notApplicable("no high-speed contact is mapped"))
	}
	makes, breaks, turns := s.turns()
	f := s.t.fan
	switch {
	case math.IsNaN(makes) && math.IsNaN(breaks):
		return seen(what, notSeen("the contact neither made nor broke"))
	case math.IsNaN(makes) || math.IsNaN(breaks):
		return seen(what, notSeen("the contact did not both make and break"))
	}
	at := fmt.Sprintf("made at %s and broke at %s", s.t.write(reading.Speed, makes), s.t.write(reading.Speed, breaks))
	switch {
	case turns > 2:
		return seen(what, fails("the contact chattered: it turned %d times; it %s first", turns, at))
	case breaks > makes+rampStep:
		return seen(what, fails("the contact %s: it breaks above where it makes", at))
	case f.HasHighSpeed && math.Abs(makes-f.HighSpeedAt) > 2*rampStep+follows/3:
		return seen(what, fails("the contact %s, and the fleet file says %s", at, s.t.write(reading.Speed, f.HighSpeedAt)))
	case f.HasHighSpeed && math.Abs(breaks-f.HighSpeedOffAt) > 2*rampStep+follows/3:
		return seen(what, fails("the contact %s, and the fleet file says that it breaks at %s", at, s.t.write(reading.Speed, f.HighSpeedOffAt)))
	}
	return seen(what, passes("the contact %s", at))
}

// turns finds at what forced speeds the contact first made and then broke, and how
// often it turned in all.
func (s *stretches) turns() (makes, breaks float64, n int) {
	makes, breaks = math.NaN(), math.NaN()
	before := math.NaN()
	for k := range s.t.looks {
		v, forced := s.t.at(reading.HighSpeed, k), s.forcedAt(k)
		if math.IsNaN(v) || math.IsNaN(forced) {
			continue
		}
		if !math.IsNaN(before) && v != before {
			n++
			switch {
			case v != 0 && math.IsNaN(makes):
				makes = forced
			case v == 0 && math.IsNaN(breaks) && !math.IsNaN(makes):
				breaks = forced
			}
		}
		before = v
	}
	return makes, breaks, n
}

// forcedAt is the speed that was forced in a look, or NaN.
func (s *stretches) forcedAt(k int) float64 {
	forced := math.NaN()
	for _, m := range s.course.Marks {
		if m.Time.After(s.t.looks[k].Time) {
			break
		}
		forced = m.Speed
	}
	return forced
}

// limits says whether the fan reached both its limits.
func (s *stretches) limits() Seen {
	const what = "limits"
	low, high := extent(good(s.t.series[reading.Speed]))
	f := s.t.fan
	if low <= f.MinSpeed+follows && high >= f.MaxSpeed-follows {
		return seen(what, passes("the fan ran from %s to %s", s.t.write(reading.Speed, low), s.t.write(reading.Speed, high)))
	}
	if math.IsInf(low, 1) {
		return seen(what, notSeen("no speed was read"))
	}
	return seen(what, notSeen("the fan ran from %s to %s only, and its limits are %s and %s", s.t.write(reading.Speed, low), s.t.write(reading.Speed, high), s.t.write(reading.Speed, f.MinSpeed), s.t.write(reading.Speed, f.MaxSpeed)))
}

// released says whether control was given back.
func (s *stretches) released() Seen {
	if s.course.Released {
		return seen("release", passes("control was given back, and the fan read back that it was"))
	}
	return seen("release", fails("control was not given back: the fan may still be forced"))
}
