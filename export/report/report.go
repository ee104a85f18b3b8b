// Package report counts up what a building's fans did in a month: the hours at
// setpoint and at the limits of speed, what was not recorded, the conditions that
// stood, the load that creeps, and what the motors took. It is pure computation
// over the readings that are kept and the journal of the alarms.
//
// Nothing is filled in. A reading stands for the time until the next one, but no
// longer than its gateway's stale_after; what nothing stands for is not recorded,
// and counts as nothing else.
package report

import (
	"context"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Readings gives the readings that are kept of a fan, from before to, in order of
// time, each with the mode that the rules saw it in. A reading may not be kept.
type Readings interface {
	Readings(ctx context.Context, fan reading.FanID, controlled reading.Point, from, to time.Time,
		yield func(*reading.Reading, condition.Mode) error) error
}

// Wanted is what a report is to be of.
type Wanted struct {
	Fleet    *config.Fleet
	Building *config.Building
	Month    Month
	Now      time.Time // a month that is not over is counted until then
	// Journal is what happened from the month's begin until now, the oldest first.
	Journal []alarm.Entry
	// Alarms are all as they are now.
	Alarms []alarm.Alarm
}

// Report is what is known of a building's month.
type Report struct {
	Building *config.Building
	Month    Month
	From, To time.Time // To is the month's end, or now
	Whole    bool      // the month is over
	// First and Last are the times of the first and the last reading; zero where
	// none is kept.
	First, Last time.Time
	Fans        []Fan // in the order of the fleet file
	Conditions  []Condition
	Creeping    []Creeping
}

// Fan is the month of one fan.
type Fan struct {
	Fan *config.Fan
	Hours
	Energy
	// MeanSpeed is of the time that it ran, Ran; a ratio.
	MeanSpeed float64
	Ran       time.Duration
	// Starts counts how often it was seen at rest and then running. Those that came
	// while nothing was recorded are not known.
	Starts int
}

// Hours is how a fan's month divides.
type Hours struct {
	// These three together are the time from From to To.
	Recorded   time.Duration
	Unanswered time.Duration // it was asked, and nothing good came
	Missing    time.Duration // nothing is kept

	// These together are Recorded. The first three are the time in which it ran at a
	// speed of its controller's own choice.
	AtSetpoint  time.Duration // within the tolerance
	OffSetpoint time.Duration
	Untold      time.Duration // its controlled value or its setpoint is not known
	Idle        time.Duration
	Stopped     time.Duration
	Forced      time.Duration
	Disabled    time.Duration

	// These are parts of the time in which it ran at a speed of its own choice.
	AtTop    time.Duration // at its top speed
	AtLowest time.Duration // at its lowest speed
}

// Own is the time in which the fan ran at a speed of its controller's own choice.
func (h *Hours) Own() time.Duration { return h.AtSetpoint + h.OffSetpoint + h.Untold }

// Add adds the hours of another fan.
func (h *Hours) Add(o *Hours) {
	for _, one := range []struct {
		to *time.Duration
		of time.Duration
	}{{&h.Recorded, o.Recorded}, {&h.Unanswered, o.Unanswered}, {&h.Missing, o.Missing}, {&h.AtSetpoint, o.AtSetpoint},
		{&h.OffSetpoint, o.OffSetpoint}, {&h.Untold, o.Untold}, {&h.Idle, o.Idle}, {&h.Stopped, o.Stopped},
		{&h.Forced, o.Forced}, {&h.Disabled, o.Disabled}, {&h.AtTop, o.AtTop}, {&h.AtLowest, o.AtLowest}} {
		*one.to += one.of
	}
}

// Make counts up a building's month. It reads one fan after the other, and ends
// with the context's error where nobody waits for it any more.
func Make(ctx context.Context, w *Wanted, kept Readings) (*Report, error) {
	zone := w.Fleet.Zone()
	r := &Report{Building: w.Building, Month: w.Month, From: w.Month.Begins(zone), To: w.Month.Next().Begins(zone), Whole: true}
	if w.Now.Before(r.To) {
		r.To, r.Whole = w.Now, false
	}
	for _, f := range w.Fleet.Fans {
		if f.Building.ID != w.Building.ID {
			continue
		}
		t := newTally(f, r.From, r.To)
		err := kept.Readings(ctx, f.ID, f.Controlled(), r.From.Add(-f.Gateway.StaleAfter), r.To, func(one *reading.Reading, mode condition.Mode) error {
			t.take(one, mode)
			return nil
		})
		if err != nil {
			return nil, err
		}
		r.Fans = append(r.Fans, t.close())
		r.seen(t)
	}
	r.stood(w)
	return r, nil
}

// seen notes from when to when readings of a fan are kept.
func (r *Report) seen(t *tally) {
	if t.begun == 0 {
		return
	}
	if first := time.Unix(0, t.begun).UTC(); r.First.IsZero() || first.Before(r.First) {
		r.First = first
	}
	if last := time.Unix(0, t.at).UTC(); last.After(r.Last) {
		r.Last = last
	}
}

// Empty reports whether nothing at all is known of the month.
func (r *Report) Empty() bool { return r.First.IsZero() && len(r.Conditions) == 0 }

// Sum is the hours of all fans together.
func (r *Report) Sum() Hours {
	var sum Hours
	for i := range r.Fans {
		sum.Add(&r.Fans[i].Hours)
	}
	return sum
}
