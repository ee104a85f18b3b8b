package turnover

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Judge says what an exercise proved of a fan.
func Judge(fleet *config.Fleet, f *config.Fan, c *Course) []Seen {
	s := &stretches{t: newTrace(f, fleet.Units, c.Looks), course: c, beside: Beside(fleet, f)}
	return []Seen{s.followed(), s.response(), s.contact(), s.limits(), s.released(), s.ranOn(), s.restarted()}
}

// Beside returns the other fans of a fan's group: they share its riser and answer
// to what is done to it.
func Beside(fleet *config.Fleet, f *config.Fan) []reading.FanID {
	var others []reading.FanID
	for _, other := range fleet.Fans {
		if other != f && f.Group != "" && other.Group == f.Group {
			others = append(others, other.ID)
		}
	}
	return others
}

// stretches are the times in which a fan was forced to one speed.
type stretches struct {
	t      *trace
	course *Course
	beside []reading.FanID
}

// held is how one forced speed went, once it had settled.
type held struct {
	forced, speed, value, rpm float64
	moved                     float64 // how far the value went from the first third to the last
}

// each returns the stretches with enough settled looks, the last third of each.
func (s *stretches) each() []held {
	var all []held
	for i, m := range s.course.Marks {
		if math.IsNaN(m.Speed) {
			continue
		}
		end := s.end(i)
		third := end.Sub(m.Time) / 3
		between := func(from, to time.Time) func(int) bool {
			return func(k int) bool {
				at := s.t.looks[k].Time
				return end.Sub(m.Time) >= settle(s.hold()) && !at.Before(from) && at.Before(to)
			}
		}
		first, in := between(m.Time, m.Time.Add(third)), between(end.Add(-third), end)
		speed, value := s.t.during(s.t.series[reading.Speed], in), s.t.during(s.t.series[s.t.fan.Controlled()], in)
		if len(speed) > 0 && len(value) > 0 {
			before := s.t.during(s.t.series[s.t.fan.Controlled()], first)
			all = append(all, held{m.Speed, median(speed), median(value), median(s.t.during(s.t.series[reading.RPM], in)), median(value) - median(before)})
		}
	}
	return all
}

func (s *stretches) hold() time.Duration {
	if s.course.Hold == 0 {
		return DefaultHold
	}
	return s.course.Hold
}

// end is when the i-th mark ceased to hold.
func (s *stretches) end(i int) time.Time {
	if i+1 < len(s.course.Marks) {
		return s.course.Marks[i+1].Time
	}
	if n := len(s.t.looks); n > 0 {
		return s.t.looks[n-1].Time.Add(lookEvery(s.hold()))
	}
	return s.course.Marks[i].Time
}

// followed judges whether the speed reads what was forced, which proves its scale
// and its span: whether the map shows 0 % at the lowest speed, or the share of the
// signal that it is.
func (s *stretches) followed() Seen {
	const what = "speed as forced"
	all := s.each()
	if len(all) < 2 {
		return seen(what, notSeen("too few speeds were held"))
	}
	run := s.running(all)
	if len(run) < 2 {
		return seen(what, notSeen("too few speeds were held"))
	}
	low, high := ends(run)
	pair := func(h held) string {
		return fmt.Sprintf("%s where %s was forced", s.t.write(reading.Speed, h.speed), s.t.write(reading.Speed, h.forced))
	}
	var off []string
	for _, h := range all {
		if math.Abs(h.speed-h.forced) > follows+s.t.fan.Count(reading.Speed) {
			off = append(off, pair(h))
		}
	}
	switch slope, at := line(run); {
	case len(off) == 0 && low.forced > s.t.fan.MinSpeed+follows:
		return seen(what, notSeen("the speed read what was forced at %d speeds, but the lowest speed of %s was not among them: its span is not proven", len(all), s.t.write(reading.Speed, s.t.fan.MinSpeed)))
	case len(off) == 0:
		return seen(what, s.whole(fmt.Sprintf("the speed read what was forced at %d speeds, %s and %s", len(all), pair(low), pair(high)), low, high))
	case slope > 0 && math.Abs(slope*s.t.fan.MinSpeed+at) < 0.05 && math.Abs(slope+at-1) < 0.05 && s.t.fan.MinSpeed > 0.1:
		return seen(what, fails("the speed read %s, and %s: the map shows 0 %% where the fan is slowest, which is %s of the whole signal; give the point the scale and offset that lead from there to 100 %%",
			pair(low), pair(high), s.t.write(reading.Speed, s.t.fan.MinSpeed)))
	}
	return seen(what, fails("the speed did not read what was forced: %s", strings.Join(off, ", ")))
}

// running are the stretches in which the fan was not forced to a stop.
func (s *stretches) running(all []held) []held {
	return slices.DeleteFunc(slices.Clone(all), func(h held) bool { return h.forced < s.t.fan.MinSpeed-1e-9 })
}

// whole says that the map shows the whole signal, and by what else than the two maps,
// of force_speed and of speed, which may count from the lowest speed both: by the
// wheel, whose speed is in proportion to the signal, or by the contact.
func (s *stretches) whole(reads string, low, high held) found {
	const within = 0.07 // engineering choice: half of what the two kinds of map differ by
	turns := low.rpm / high.rpm
	makes, _ := s.turns()
	switch {
	case high.rpm > 0 && turns > low.forced/high.forced+within:
		return fails("%s, but the wheel turned at %s of its top then: both maps count from the lowest speed, and the lowest is a larger share of the signal", reads, s.t.write(reading.Speed, turns))
	case high.rpm > 0 && turns > low.forced/high.forced-within:
		return passes("%s, and the wheel turned at %s of its top then: the map shows the whole signal", reads, s.t.write(reading.Speed, turns))
	case s.t.fan.HasHighSpeed && len(makes) > 0 && makes[0].far(s.t.fan.HighSpeedAt) <= turnedWithin:
		return passes("%s, and the contact made where it is to: the map shows the whole signal", reads)
	}
	return passes("%s: the map shows the whole signal as far as force_speed is mapped to it, which the controller's display tells", reads)
}

// ends are the stretches of the lowest and of the highest speed.
func ends(all []held) (low, high held) {
	low, high = all[0], all[0]
	for _, h := range all {
		if h.forced < low.forced {
			low = h
		}
		if h.forced > high.forced {
			high = h
		}
	}
	return low, high
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
	low, high := ends(all)
	p := s.t.fan.Controlled()
	rise := high.value - low.value
	reads := fmt.Sprintf("from %s at %s to %s at %s", s.t.write(p, low.value), s.t.write(reading.Speed, low.forced), s.t.write(p, high.value), s.t.write(reading.Speed, high.forced))
	want, least := 1.0, max(2, 2*s.t.fan.Count(p))
	if s.t.fan.ProbeSide() == "suction" {
		want = -1
	}
	if p != reading.Pressure {
		least = max(0.05*math.Abs(s.t.fan.Setpoint), 2*s.t.fan.Count(p))
	}
	small, way := math.Abs(rise) < least, s.way(low, high)
	switch {
	case small && math.Abs(way) >= least/4, rise*way < 0 && math.Abs(way) > max(2*s.t.fan.Count(p), 0.05*math.Abs(rise)):
		return seen(what, notSeen("the reading was still on its way when the next speed was forced, %s: hold each speed for longer with --step", reads))
	case high.forced-low.forced < 0.2, small && high.forced-low.forced < 0.4:
		return seen(what, notSeen("the speeds that were held lie too near to each other"))
	case small && len(s.beside) > 0:
		return seen(what, notSeen("the reading hardly moved, %s: %s on the same riser may have held it; exercise the fan while they stand still", reads, names(s.beside)))
	case small:
		return seen(what, fails("the reading hardly moved, %s: the wheel moves nothing, the tubes are off, or the point is another one", reads))
	case rise*want < 0 && p == reading.Pressure:
		return seen(what, fails("the reading moved the wrong way, %s: a probe on %s reads the other way, so the tubes are swapped, the probe's side in the fleet file is wrong, or the sign is lost", reads, s.t.fan.ProbeSide()))
	case rise*want < 0:
		return seen(what, fails("the reading moved the wrong way, %s: more speed moves more air", reads))
	}
	return seen(what, passes("the reading moved %s, with the sign that it should have", reads))
}

// way is where the reading went while the lowest and the highest speed were held, as
// if the speed had only risen. There it goes the way of its sign, however slowly it
// follows; at a speed between it may still be on its way from the last.
func (s *stretches) way(low, high held) float64 {
	if high.forced < s.t.fan.MaxSpeed-follows {
		return -low.moved
	}
	return high.moved - low.moved
}

func names(fans []reading.FanID) string {
	all := make([]string, len(fans))
	for i, f := range fans {
		all[i] = string(f)
	}
	return strings.Join(all, ", ")
}

// limits says whether the fan reached both its limits.
func (s *stretches) limits() Seen {
	const what = "limits"
	low, high := extent(s.t.during(s.t.series[reading.Speed], func(k int) bool { return s.forcedAt(k) >= s.t.fan.MinSpeed-1e-9 }))
	f := s.t.fan
	if low <= f.MinSpeed+follows && high >= f.MaxSpeed-follows {
		return seen(what, passes("the fan ran from %s to %s", s.t.write(reading.Speed, low), s.t.write(reading.Speed, high)))
	}
	if math.IsInf(low, 1) {
		return seen(what, notSeen("no speed was read"))
	}
	return seen(what, notSeen("the fan ran from %s to %s only, and its limits are %s and %s", s.t.write(reading.Speed, low), s.t.write(reading.Speed, high), s.t.write(reading.Speed, f.MinSpeed), s.t.write(reading.Speed, f.MaxSpeed)))
}
