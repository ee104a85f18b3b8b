// Package export holds the one picture of the fleet that every way out shows:
// metrics, pages and messages read the same immutable snapshot, so that they
// never disagree.
package export

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/alarm"
	"fanwarden/rules/condition"
)

// Snapshot is the fleet at one instant. Nothing in it changes once it is
// published; what is the same in the next snapshot is shared with it.
type Snapshot struct {
	Taken    time.Time
	Fleet    *config.Fleet
	Fans     []*Fan     // in the order of Fleet.Fans
	Gateways []*Gateway // in the order of Fleet.Gateways
	Delay    Histogram  // of the starts of cycles after they were due, all gateways together
	// Incidents are what stands of several fans or gateways together.
	Incidents []condition.Incident
	Alarms    alarm.Figures // how the alarms do
	Store     Store
	History   History
	Reload    Reload
	Ready     bool // every gateway has finished a cycle
	Version   string
}

// Store says how the disk does on which alarms and messages are kept.
type Store struct {
	Used    bool // there is one
	Up      bool // what was last to be written is written
	Pending int  // messages that are still to be delivered
}

// Reload says how the last attempt to load the fleet file ended.
type Reload struct {
	Good   bool
	GoodAt time.Time // when it last succeeded
}

// Fan is what is known of one fan.
type Fan struct {
	Fan *config.Fan
	// Values is the last reading that the fan answered; it is zero before the
	// first. Its values count only while they are Fresh.
	Values reading.Reading
	// Raw are the words that Values were made of, as config.Fan.Raw finds them; nil
	// where they are not known. Those of a point that was not answered mean nothing.
	Raw []uint16
	// Polled and Outcome are of the last poll, answered or not; Polled is zero
	// before the first.
	Polled   time.Time
	Outcome  reading.Outcome
	LastGood time.Time // time of the last reading that was Usable; zero before the first
	Mode     condition.Mode
	Verdicts []condition.Verdict  // of every enabled condition
	Standing []condition.Standing // those that stand, silenced ones too
	// LeftForced is when an exercise was begun that ended without giving the fan back;
	// nil where none is known to have.
	LeftForced *time.Time
}

// Up reports whether the fan answers: its last poll was answered, and at now is
// no older than the gateway's stale_after. A poller that hangs must not leave
// its fans up for ever.
func (f *Fan) Up(now time.Time) bool {
	return !f.Polled.IsZero() && f.Outcome.Answered() && now.Sub(f.Polled) <= f.Fan.Gateway.StaleAfter
}

// ModeAt returns what the fan does, which is Unknown once its speed is too old
// to tell.
func (f *Fan) ModeAt(now time.Time) condition.Mode {
	if _, ok := f.Fresh(reading.Speed, now); !ok {
		return condition.Unknown
	}
	return f.Mode
}

// Fresh returns a point's value if it is good and, at now, no older than the
// gateway's stale_after. NaN and the infinities are never fresh, because no
// way out can carry them.
func (f *Fan) Fresh(p reading.Point, now time.Time) (value float64, ok bool) {
	value, good := f.Values.Get(p)
	finite := value-value == 0
	return value, good && finite && now.Sub(f.Values.Time) <= f.Fan.Gateway.StaleAfter
}

// Setpoint returns what the fan is to hold: what it says itself if that is
// fresh, or else what the fleet file says; ok is false where neither does.
func (f *Fan) Setpoint(now time.Time) (value float64, ok bool) {
	if value, ok = f.Fresh(reading.Setpoint, now); ok {
		return value, true
	}
	if _, mapped := f.Fan.Placed(reading.Setpoint); mapped {
		return 0, false
	}
	return f.Fan.Setpoint, f.Fan.HasSetpoint
}

// Gateway is what is known of one gateway.
type Gateway struct {
	Gateway  *config.Gateway
	Lent     bool // to a turnover: it is not polled meanwhile
	Answered bool // something behind it, or itself, answered in its last cycle
	Cycles   uint64
	Missed   uint64
	Last     time.Time // start of the last cycle; zero before the first
	Took     time.Duration
	Polls    [reading.Outcomes]uint64
	Duration Histogram // of cycles
	Verdicts []condition.Verdict
	Standing []condition.Standing

	marks []counts // of the last hour, for Lately
}

// Up reports whether the gateway answers: it did in its last cycle, which at
// now ended no longer than its stale_after ago.
func (g *Gateway) Up(now time.Time) bool {
	return !g.Last.IsZero() && g.Answered && now.Sub(g.Last.Add(g.Took)) <= g.Gateway.StaleAfter
}

// Bounds are the upper bounds of a Histogram's buckets, in seconds: from a few
// registers over TCP to a slow line with dead units on it.
var bounds = [...]float64{0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30}

// Bounds returns the upper bounds of the buckets, in seconds.
func Bounds() []float64 { return bounds[:] }

// Histogram counts durations.
type Histogram struct {
	Buckets [len(bounds) + 1]uint64 // not cumulative; the last is beyond every bound
	Sum     float64                 // seconds
}

// Observe counts one duration.
func (h *Histogram) Observe(d time.Duration) {
	seconds := d.Seconds()
	h.Sum += seconds
	for i, bound := range bounds {
		if seconds <= bound {
			h.Buckets[i]++
			return
		}
	}
	h.Buckets[len(bounds)]++
}
