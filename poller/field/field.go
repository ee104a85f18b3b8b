package field

import (
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// Field is the plants, controllers and weather of all fans of a fleet. It is
// not safe for use by several goroutines at once.
type Field struct {
	fleet   *config.Fleet
	zone    *time.Location
	start   time.Time
	now     time.Time
	seconds int64         // whole seconds since the start
	rest    time.Duration // of Step, below a second
	weather weather
	risers  []*riser
	all     []*unit
	units   map[reading.FanID]*unit
	faults  []Fault
	changes time.Time // when a fault comes or goes next; zero: never
	watch   []func()  // what is called when a fault has come or gone
	events  []Event
}

// What an event of the truth can be.
const (
	Started    = "started"     // the fan began to run
	WentIdle   = "went idle"   // it stopped by itself
	Stopped    = "stopped"     // it was stopped
	ReachedTop = "reached top" // it came to its top speed
	LeftTop    = "left top"    // and left it
	PeakBegan  = "peak began"  // nearly all exhausts of its riser are on
	PeakEnded  = "peak ended"  // and off again
	CalledIn   = "called in"   // a lag or standby fan is permitted to help
	CalledAway = "called away" // and no longer
)

const (
	mostEvents = 1 << 17 // that are kept
	warmingUp  = 20 * 60 // s that a new field has run
)

// Event is something that truly happened to a fan, whatever its readings show.
type Event struct {
	Time time.Time
	Fan  reading.FanID
	What string
}

// New builds the plants, controllers and weather of every fan of a fleet,
// sized from the fleet file and the seed. None is at fault. They have run for a
// while before start, so that they have settled.
func New(fleet *config.Fleet, seed uint64, start time.Time) *Field {
	f := &Field{fleet: fleet, units: make(map[reading.FanID]*unit, len(fleet.Fans)), weather: newWeather(seed)}
	f.start = start.Add(-warmingUp * time.Second)
	f.now = f.start
	if f.zone = fleet.Location; f.zone == nil {
		f.zone = time.UTC
	}
	for _, members := range sharing(fleet.Fans) {
		r := newRiser(members, seed, f)
		f.risers = append(f.risers, r)
		for i := range r.units {
			f.all = append(f.all, &r.units[i])
			f.units[r.units[i].cfg.ID] = &r.units[i]
		}
	}
	f.Step(warmingUp * time.Second)
	f.start, f.events = start, nil
	return f
}

// sharing returns the fans of each riser, in the order of the fleet file. Fans
// share one if they are of one group, building, side and kind of control.
func sharing(fans []*config.Fan) [][]*config.Fan {
	type key struct {
		building *config.Building
		group    string
		probe    config.Side
		airflow  bool
	}
	var all [][]*config.Fan
	places := make(map[key]int)
	for _, fan := range fans {
		k := key{fan.Building, fan.Group, fan.Probe, fan.ControlsAirflow}
		if i, shared := places[k]; shared && fan.Group != "" {
			all[i] = append(all[i], fan)
			continue
		}
		places[k] = len(all)
		all = append(all, []*config.Fan{fan})
	}
	return all
}

// Fleet returns the fleet whose field this is.
func (f *Field) Fleet() *config.Fleet { return f.fleet }

// Now returns the simulated time.
func (f *Field) Now() time.Time { return f.now.Add(f.rest) }

// Events returns what truly happened since the start, in the order of time; of
// a very long run, the later part.
func (f *Field) Events() []Event { return append([]Event(nil), f.events...) }

// Step moves the field on, in steps of a second. What is left of a second is
// taken up by the next call.
func (f *Field) Step(d time.Duration) {
	f.rest += max(d, 0)
	for f.rest >= time.Second {
		f.rest -= time.Second
		f.second()
	}
}

// second is one step of everything.
func (f *Field) second() {
	f.now = f.now.Add(time.Second)
	f.seconds++
	if !f.changes.IsZero() && !f.now.Before(f.changes) {
		f.refresh()
	}
	day, hour := clock(f.now.In(f.zone))
	f.weather.step(day, hour)
	for _, r := range f.risers {
		r.step(f, day, hour)
	}
}

// note keeps an event.
func (f *Field) note(u *unit, what string) {
	if len(f.events) >= mostEvents {
		f.events = append(f.events[:0], f.events[mostEvents/2:]...)
	}
	f.events = append(f.events, Event{Time: f.now, Fan: u.cfg.ID, What: what})
}
