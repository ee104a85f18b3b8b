package poller

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// fanRound is what one cycle brought for one fan, beside its values.
type fanRound struct {
	failed   bool                      // a block that it cannot do without was not answered
	outcome  reading.Outcome           // why, if failed
	code     uint8                     // of the first point that was refused
	heard    time.Time                 // when the gateway last heard from its unit, if it says so
	words    bool                      // registers of its own were read
	alive    bool                      // one of them was not 0
	answered [reading.Points]time.Time // when each of its points was, last
}

// intake is where what a worker reads becomes readings.
type intake struct {
	plan  *Plan
	raw   []uint16          // of every point of the fans, see slot.at
	blank []reading.Reading // of each fan: its points mapped and unanswered
	fans  []fanRound
	cycle Cycle
}

func newIntake(plan *Plan) intake {
	in := intake{plan: plan, raw: make([]uint16, plan.words), blank: blankReadings(plan), fans: make([]fanRound, len(plan.Fans))}
	in.cycle = Cycle{Gateway: plan.Gateway.ID, Readings: make([]reading.Reading, len(plan.Fans)), Words: plan.divide(in.raw)}
	return in
}

// open begins a cycle.
func (in *intake) open(now time.Time) {
	in.cycle.Start = now
	copy(in.cycle.Readings, in.blank)
	clear(in.fans)
}

// close ends a cycle.
func (in *intake) close(now time.Time) {
	for i := range in.cycle.Readings {
		in.finish(i, now)
	}
	in.cycle.Took = now.Sub(in.cycle.Start)
}

// blankReadings returns a reading for each fan in which every point that is
// read for it is unanswered.
func blankReadings(plan *Plan) []reading.Reading {
	blank := make([]reading.Reading, len(plan.Fans))
	for i, fan := range plan.Fans {
		blank[i].Fan, blank[i].Gateway = fan.ID, plan.Gateway.ID
	}
	for _, s := range plan.slots() {
		for i := range blank {
			if s.fan == i || s.fan == everyFan {
				blank[i].Mark(s.Point, reading.Unanswered)
			}
		}
	}
	return blank
}

// take puts the words of an answered request into the readings.
func (w *worker) take(r *Request, now time.Time) {
	for i := range r.slots {
		s := &r.slots[i]
		words := w.words[s.Address-r.Address:][:s.Words()]
		value, quality := s.Encoding.Decode(words)
		if s.fan == everyFan {
			w.setAll(s.Point, value, quality, now)
			continue
		}
		w.set(s.fan, s.Point, value, quality, now)
		w.raw[s.at] = words[0]
		if len(words) > 1 {
			w.raw[s.at+1] = words[1]
		}
		if f := &w.fans[s.fan]; !s.shared {
			f.words = true
			for _, word := range words {
				f.alive = f.alive || word != 0
			}
		}
	}
}

// setAll gives a point of the gateway to every fan that has none of its own.
func (in *intake) setAll(p reading.Point, value float64, quality reading.Quality, now time.Time) {
	for i, fan := range in.plan.Fans {
		if _, own := fan.Placed(p); !own {
			in.set(i, p, value, quality, now)
		}
	}
}

// set gives a fan the value of a point as it was answered now.
func (in *intake) set(i int, p reading.Point, value float64, quality reading.Quality, now time.Time) {
	r, f := &in.cycle.Readings[i], &in.fans[i]
	f.answered[p] = now
	if quality != reading.Good {
		r.Mark(p, quality)
		return
	}
	r.Set(p, value)
	if p == reading.HeardAgo {
		f.heard = now.Add(-time.Duration(value * float64(time.Second)))
	}
}

// refuse notes that a device refused a request.
func (w *worker) refuse(r *Request, code uint8) {
	now := time.Now()
	for i := range r.slots {
		w.refuseSlot(&r.slots[i], code, now)
	}
}

// refuseSlot notes that a device refused a point.
func (in *intake) refuseSlot(s *slot, code uint8, now time.Time) {
	if s.fan == everyFan {
		return
	}
	f := &in.fans[s.fan]
	if f.code == 0 {
		f.code = code
	}
	f.answered[s.Point] = now
}

// fail notes that a request was not answered. This is the outcome of a fan if
// its own unit is the silent one, or if it cannot be judged without the point;
// a silent unit that holds but one of its contacts leaves that contact
// unanswered, and does not make its controller silent.
func (w *worker) fail(r *Request, outcome reading.Outcome) {
	for i := range r.slots {
		w.failSlot(&r.slots[i], outcome, true)
	}
}

// failSlot notes that a point was not answered; whole, that nothing of its unit
// was.
func (in *intake) failSlot(s *slot, outcome reading.Outcome, whole bool) {
	if s.fan == everyFan || in.fans[s.fan].failed {
		return
	}
	if fan := in.plan.Fans[s.fan]; whole && s.Unit == fan.Unit || essential(fan, s.Point) {
		in.fans[s.fan].failed, in.fans[s.fan].outcome = true, outcome
	}
}

// again gives a block that was not asked the outcome of when it last was.
func (w *worker) again(b *block) {
	switch b.outcome {
	case reading.OK: // it was another block's answer that did not come
		w.fail(&b.Request, held.Outcome)
	case reading.Exception:
		w.refuse(&b.Request, b.code)
	default:
		w.fail(&b.Request, b.outcome)
	}
}

// finish makes the reading of a fan out of what the cycle brought.
func (in *intake) finish(i int, now time.Time) {
	r, f, fan := &in.cycle.Readings[i], &in.fans[i], in.plan.Fans[i]
	r.Time = f.oldest(now)
	switch {
	case f.failed:
		r.Time, r.Outcome = now, f.outcome
		markAll(r, reading.Unanswered)
	case f.words && !f.alive && fan.PointMap != nil && fan.PointMap.AbsentIfAllZero:
		r.Outcome = reading.UnitSilent
		markAll(r, reading.Unanswered)
	case !f.heard.IsZero() && now.Sub(f.heard) > in.plan.Gateway.StaleAfter:
		heard, _ := r.Get(reading.HeardAgo)
		r.Time, r.Outcome = now, reading.UnitSilent
		markAll(r, reading.Stale)
		r.Set(reading.HeardAgo, heard)
	case f.code != 0:
		r.Outcome, r.ExceptionCode = reading.Exception, f.code
	}
	fan.Complete(r)
	if r.Outcome == reading.OK && noValue(r, fan) {
		r.Outcome = reading.Invalid
	}
}

// oldest returns when the oldest of a fan's values was answered or, where that
// is longer ago, when the gateway that answers with them last heard of its
// unit; now where there are none.
func (f *fanRound) oldest(now time.Time) time.Time {
	oldest := now
	for _, at := range f.answered {
		if !at.IsZero() && at.Before(oldest) {
			oldest = at
		}
	}
	if !f.heard.IsZero() && f.heard.Before(oldest) {
		return f.heard
	}
	return oldest
}

// noValue reports whether the fan answered without a usable speed or
// controlled value.
func noValue(r *reading.Reading, fan *config.Fan) bool {
	return r.Quality(reading.Speed).Worthless() || r.Quality(fan.Controlled()).Worthless()
}

func markAll(r *reading.Reading, quality reading.Quality) {
	for p := reading.Point(0); int(p) < reading.Points; p++ {
		if r.Quality(p) != reading.NotMapped {
			r.Mark(p, quality)
		}
	}
}

// divide gives each fan its part of the words of all.
func (p *Plan) divide(words []uint16) [][]uint16 {
	parts := make([][]uint16, len(p.Fans))
	for i, fan := range p.Fans {
		n := 0
		for _, placed := range fan.Points {
			if !placed.Point.Output() {
				n += placed.Words()
			}
		}
		parts[i], words = words[:n:n], words[n:]
	}
	return parts
}
