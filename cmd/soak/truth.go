package main

import (
	"math"
	"sync"
	"time"

	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// checked are the points that are held against the truth.
var checked = [...]reading.Point{reading.Pressure, reading.Setpoint, reading.Speed, reading.RPM}

// state is what a fan had from one time of the daemon's clock to another.
type state struct {
	from, to time.Time
	noted    time.Time // by the clock of this machine
	unseen   bool      // several states came and went between two looks: nobody knows
	values   [len(checked)]float64
}

// truth is what every fan had lately. The field moves on in whole seconds, so it
// is enough to look several times in each.
type truth struct {
	clock *clock

	mu     sync.Mutex
	looked time.Time
	field  time.Time
	states map[string][]state
}

// How far back the truth is kept, how often it is looked at, and by how much a
// value may be older or newer than its reading says: a reading bears the time of
// the oldest of its values, and others come until the end of the cycle.
const (
	kept      = 6 * time.Minute
	lookEvery = 20 * time.Millisecond
	slack     = 1500 * time.Millisecond
)

func newTruth(c *clock) *truth { return &truth{clock: c, states: make(map[string][]state)} }

// look notes what the fans have now, if the field has moved.
func (t *truth) look(f *field.Field) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	before := t.looked
	t.looked = now
	if f.Now().Equal(t.field) {
		return
	}
	moved := f.Now().Sub(t.field)
	t.field = f.Now()
	if before.IsZero() {
		before = now
	}
	next := state{from: t.clock.wall(before), to: t.clock.wall(now.Add(time.Hour)), noted: now, unseen: moved > time.Second}
	var r reading.Reading
	for _, fan := range f.Fleet().Fans {
		f.Reading(fan.ID, &r)
		for i, p := range checked {
			next.values[i], _ = r.Get(p)
		}
		t.note(string(fan.ID), next)
	}
}

// note ends the state that a fan had, and drops what is old.
func (t *truth) note(fan string, next state) {
	all := t.states[fan]
	if last := len(all) - 1; last >= 0 {
		all[last].to = t.clock.wall(next.noted)
	}
	for len(all) > 0 && next.noted.Sub(all[0].noted) > kept {
		all = all[1:]
	}
	t.states[fan] = append(all, next)
}

// jump sets the daemon's clock. What a fan has goes on at another time.
func (t *truth) jump(shift time.Duration) {
	t.mu.Lock()
	defer t.mu.Unlock()
	now := time.Now()
	for fan, all := range t.states {
		if len(all) == 0 {
			continue
		}
		all[len(all)-1].to = t.clock.wall(now)
		for _, s := range all { // what it had just before may come with a time after it
			if ago := t.clock.wall(now).Sub(s.to); ago >= 0 && ago < slack {
				s.from, s.to = now.Round(0).Add(shift-ago), now.Round(0).Add(shift-ago)
				all = append(all, s)
			}
		}
		last := &all[len(all)-1]
		last.from, last.to = now.Round(0).Add(shift), now.Round(0).Add(shift+time.Hour)
		t.states[fan] = all
	}
	t.clock.set(shift)
}

// verdict is what the truth says of a value.
type verdict int

const (
	unknown verdict = iota // it was not looked at then
	right
	wrong
)

// of says whether a fan had a value of the point of that place in checked at a
// time of the daemon's clock, and how far off the nearest that it had was.
func (t *truth) of(fan string, point int, at time.Time, value, tolerance float64) (verdict, float64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	said, nearest := unknown, math.Inf(1)
	all := t.states[fan]
	for i := len(all) - 1; i >= 0; i-- {
		s := &all[i]
		if at.Before(s.from.Add(-slack)) || at.After(s.to.Add(slack)) {
			continue
		}
		if s.unseen {
			return unknown, 0
		}
		off := math.Abs(s.values[point] - value)
		if off <= tolerance+1e-6*math.Abs(value) {
			return right, 0
		}
		said, nearest = wrong, min(nearest, off)
	}
	return said, nearest
}

// since is how far back the truth is kept, by the daemon's clock.
func (t *truth) since() time.Time {
	t.mu.Lock()
	defer t.mu.Unlock()
	for _, all := range t.states {
		return all[0].from
	}
	return time.Time{}
}
