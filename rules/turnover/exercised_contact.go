package turnover

import (
	"fmt"
	"math"

	"fanwarden/poller/reading"
)

// turn is where the contact turned: after from had been forced, at to.
type turn struct{ from, to float64 }

// far is how far a speed lies from where the contact may have turned.
func (e turn) far(speed float64) float64 {
	return max(0, min(e.from, e.to)-speed, speed-max(e.from, e.to))
}

// turnedWithin is how far a contact may turn from what the fleet file says: two
// steps of the ramp, and one for the delay of what is read. (Engineering choice.)
const turnedWithin = 3 * rampStep

// contact records where the high-speed contact made and broke: it makes while the
// speed is led up and breaks below that while it is led down, and does nothing in
// between (the way that such contacts are proven, check value G3).
func (s *stretches) contact() Seen {
	const what = "contact"
	if _, mapped := s.t.fan.Placed(reading.HighSpeed); !mapped {
		return seen(what, notApplicable("no high-speed contact is mapped"))
	}
	makes, breaks := s.turns()
	f := s.t.fan
	switch {
	case len(makes) == 0:
		return seen(what, notSeen("the contact did not make"))
	case len(breaks) == 0:
		return seen(what, notSeen("the contact made %s, and did not break", s.where(makes[0])))
	}
	at := fmt.Sprintf("made %s and broke %s", s.where(makes[0]), s.where(breaks[0]))
	own := f.HighSpeedOffAt < f.HighSpeedAt // the fleet file says where it breaks
	switch {
	case len(makes)+len(breaks) > 2:
		return seen(what, fails("the contact chattered: it turned %d times; it %s first", len(makes)+len(breaks), at))
	case breaks[0].to > makes[0].to-1e-9:
		return seen(what, fails("the contact %s: it has to break below where it makes", at))
	case f.HasHighSpeed && makes[0].far(f.HighSpeedAt) > turnedWithin:
		return seen(what, fails("the contact %s, and the fleet file says that it makes at %s", at, s.t.write(reading.Speed, f.HighSpeedAt)))
	case f.HasHighSpeed && own && breaks[0].far(f.HighSpeedOffAt) > turnedWithin:
		return seen(what, fails("the contact %s, and the fleet file says that it breaks at %s", at, s.t.write(reading.Speed, f.HighSpeedOffAt)))
	case f.HasHighSpeed && !own && breaks[0].far(f.HighSpeedAt) > turnedWithin:
		return seen(what, passes("the contact %s; write high_speed_off_at, so that this is expected of it", at))
	}
	return seen(what, passes("the contact %s", at))
}

// where says at what speed the contact turned.
func (s *stretches) where(e turn) string {
	if math.Abs(e.to-e.from) < 1.5*rampStep {
		return "at " + s.t.write(reading.Speed, e.to)
	}
	return fmt.Sprintf("between %s and %s", s.t.write(reading.Speed, e.from), s.t.write(reading.Speed, e.to))
}

// turns finds where the contact made, and where it broke after that. What it does
// while the fan comes down to its lowest speed at first is no turn of the ramps.
func (s *stretches) turns() (makes, breaks []turn) {
	before, forced, last := math.NaN(), math.NaN(), math.NaN()
	for k := range s.t.looks {
		v, now := s.t.at(reading.HighSpeed, k), s.forcedAt(k)
		if math.IsNaN(now) { // given back in between: its own controller may turn it
			before, forced, last = math.NaN(), now, now
			continue
		}
		if now != forced {
			last, forced = forced, now
		}
		if math.IsNaN(v) {
			continue
		}
		switch at := (turn{last, now}); {
		case math.IsNaN(before) || v == before || math.IsNaN(last):
		case v != 0:
			makes = append(makes, at)
		case len(makes) > 0:
			breaks = append(breaks, at)
		}
		before = v
	}
	return makes, breaks
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
