package field_test

import (
	"fmt"
	"math"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules"
)

const poll = 10 * time.Second

// watched is what the engine made of a run.
type watched struct {
	f      *field.Field
	engine *rules.Engine
	raised map[reading.FanID]map[string]time.Time // when a condition was first raised
	stands map[reading.FanID]map[string]bool
	log    []string
}

func watch(f *field.Field) *watched {
	w := &watched{f: f, engine: rules.New(f.Fleet()), raised: make(map[reading.FanID]map[string]time.Time),
		stands: make(map[reading.FanID]map[string]bool)}
	for _, fan := range f.Fleet().Fans {
		w.raised[fan.ID], w.stands[fan.ID] = make(map[string]time.Time), make(map[string]bool)
	}
	return w
}

// run polls the fans for a while and shows each reading.
func (w *watched) run(span time.Duration, look func(*config.Fan, *reading.Reading)) {
	var r reading.Reading
	for range span / poll {
		w.f.Step(poll)
		for _, fan := range w.f.Fleet().Fans {
			w.f.Reading(fan.ID, &r)
			for _, change := range w.engine.Observe(&r) {
				name, up := string(change.Condition), change.Change == "raised"
				if _, before := w.raised[fan.ID][name]; up && !before {
					w.raised[fan.ID][name] = change.Time
				}
				w.stands[fan.ID][name] = up
				w.log = append(w.log, fmt.Sprintf("%s %s %s %s: %s", change.Time.Format(time.DateTime), fan.ID, change.Condition,
					change.Change, change.Summary))
			}
			if look != nil {
				look(fan, &r)
			}
		}
	}
}

// sums is what one fan did in a run.
type sums struct {
	n, ran, held, top, night, nightIdle int
	highest                             float64
}

func (s *sums) add(fan *config.Fan, r *reading.Reading) {
	value, _ := r.Get(fan.Controlled())
	speed, _ := r.Get(reading.Speed)
	s.n++
	s.highest = max(s.highest, value)
	resting := speed < fan.StoppedBelow
	if h := r.Time.Hour(); h < 5 {
		s.night++
		if resting {
			s.nightIdle++
		}
	}
	if resting {
		return
	}
	s.ran++
	if speed >= fan.MaxSpeed-0.02 {
		s.top++
	}
	tolerance := max(5, 0.15*math.Abs(fan.Setpoint))
	if fan.ControlsAirflow {
		tolerance = 0.05 * fan.Setpoint
	}
	if math.Abs(value-fan.Setpoint) <= tolerance {
		s.held++
	}
}

// Two days of healthy fans in winter and one in summer raise nothing, and the
// fans do what fans do: hold their setpoint, are at their top for minutes and not
// for hours, and rest at night where they may.
func TestAHealthyCampusRaisesNothing(t *testing.T) {
	for name, c := range map[string]struct {
		start time.Time
		days  time.Duration
	}{"winter": {monday, 2}, "summer": {monday.AddDate(0, 6, 0), 1}} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			f := field.New(campus(t, len(kindsOfFan)), 11, c.start)
			w := watch(f)
			did := make(map[reading.FanID]*sums)
			for _, fan := range f.Fleet().Fans {
				did[fan.ID] = &sums{highest: -1e9}
			}
			w.run(c.days*24*time.Hour, func(fan *config.Fan, r *reading.Reading) { did[fan.ID].add(fan, r) })
			for _, line := range w.log {
				t.Error(line)
			}
			for _, fan := range f.Fleet().Fans {
				plausible(t, fan, did[fan.ID])
			}
			plausibleEvents(t, f)
		})
	}
}

func plausible(t *testing.T, fan *config.Fan, s *sums) {
	t.Helper()
	share := func(part, whole int) float64 { return float64(part) / float64(max(whole, 1)) }
	switch {
	case fan.Role == config.Standby:
		return
	case s.ran == 0:
		t.Errorf("%s never runs", fan.ID)
	case share(s.held, s.ran) < 0.75:
		t.Errorf("%s holds its setpoint for %.0f %% of its time only", fan.ID, 100*share(s.held, s.ran))
	case share(s.top, s.n) > 0.03:
		t.Errorf("%s is at its top for %.1f %% of its time", fan.ID, 100*share(s.top, s.n))
	case fan.GoesIdle && share(s.nightIdle, s.night) < 0.5:
		t.Errorf("%s rests for %.0f %% of the night only", fan.ID, 100*share(s.nightIdle, s.night))
	case !fan.GoesIdle && s.ran < s.n:
		t.Errorf("%s never goes idle and rested", fan.ID)
	case fan.Probe == config.Suction && !fan.ControlsAirflow && s.highest > 75:
		t.Errorf("%s was pushed to %.0f Pa", fan.ID, s.highest)
	}
}

// plausibleEvents: every idle fan is started again by its branches, none six
// times in an hour, and there are peaks that bring fans to their top.
func plausibleEvents(t *testing.T, f *field.Field) {
	t.Helper()
	count := make(map[string]int)
	starts := make(map[reading.FanID][]time.Time)
	for _, e := range f.Events() {
		count[e.What]++
		if e.What == field.Started {
			starts[e.Fan] = append(starts[e.Fan], e.Time)
		}
	}
	for fan, at := range starts {
		for i := 5; i < len(at); i++ {
			if at[i].Sub(at[i-5]) < time.Hour {
				t.Errorf("%s starts six times within an hour of %s", fan, at[i-5].Format(time.DateTime))
			}
		}
	}
	for _, what := range []string{field.Started, field.WentIdle, field.PeakBegan, field.PeakEnded, field.ReachedTop, field.LeftTop} {
		if count[what] == 0 {
			t.Errorf("in all that time nothing %s: %v", what, count)
		}
	}
}

func TestAStandbyComesWhenTheLeadFails(t *testing.T) {
	f := newField(t, 12, 4)
	f.Step(2 * time.Hour)
	want(t, f, "standby", reading.Speed, 0, 0)
	want(t, f, "standby", reading.Enable, 0, 0)
	broken := field.Fault{Fan: "lead", Kind: field.Tripped}
	put(t, f, broken)
	f.Step(10 * time.Minute)
	want(t, f, "lead", reading.Speed, 0, 0)
	want(t, f, "standby", reading.Running, 1, 0)
	want(t, f, "standby", reading.Pressure, -25, 5)
	f.Clear(broken)
	f.Step(time.Hour)
	want(t, f, "standby", reading.Running, 0, 0)
	want(t, f, "lead", reading.Pressure, -25, 5)
	var said []string
	for _, e := range f.Events() {
		if e.Fan == "standby" && (e.What == field.CalledIn || e.What == field.CalledAway) {
			said = append(said, e.What)
		}
	}
	if len(said) != 2 || said[0] != field.CalledIn {
		t.Errorf("the standby was %v", said)
	}
}

func TestFansSideBySideShareTheWork(t *testing.T) {
	f := newField(t, 12, 4)
	for range 40 {
		f.Step(30 * time.Minute)
		left, _ := f.Value("left", reading.Speed)
		right, _ := f.Value("right", reading.Speed)
		if math.Abs(left-right) > 0.05 {
			t.Errorf("at %s one runs at %.2f and the other at %.2f", f.Now().Format(time.DateTime), left, right)
		}
	}
}

func TestMetersAndContactFollowTheFan(t *testing.T) {
	f := newField(t, 12, 4)
	energy, _ := f.Value("bath", reading.Energy)
	hours, _ := f.Value("bath", reading.RunHours)
	f.Step(time.Hour)
	watts, _ := f.Value("bath", reading.Power)
	if used, _ := f.Value("bath", reading.Energy); used <= energy || used-energy > 4*3600*watts {
		t.Errorf("at about %.0f W it used %.0f J in an hour", watts, used-energy)
	}
	want(t, f, "bath", reading.RunHours, hours+3600, 1)
	put(t, f, field.Fault{Fan: "kitchen", Kind: field.LeftInHand, Size: 1})
	put(t, f, field.Fault{Fan: "bath", Kind: field.LeftInHand, Size: 0.76})
	f.Step(2 * time.Minute)
	want(t, f, "bath", reading.HighSpeed, 1, 0)
	want(t, f, "kitchen", reading.RPM, 1150, 10)
	if full, _ := f.Value("kitchen", reading.Power); full < 500 || full > 3300 {
		t.Errorf("a fan rated 2.2 kW takes %.0f W at full speed", full)
	}
	f.Clear(field.Fault{Fan: "bath", Kind: field.LeftInHand})
	put(t, f, field.Fault{Fan: "bath", Kind: field.LeftInHand, Size: 0.72})
	f.Step(time.Minute)
	want(t, f, "bath", reading.HighSpeed, 1, 0) // between break and make it stays as it was
	f.Clear(field.Fault{Fan: "bath", Kind: field.LeftInHand})
	put(t, f, field.Fault{Fan: "bath", Kind: field.LeftInHand, Size: 0.6})
	f.Step(4 * time.Second)
	want(t, f, "bath", reading.HighSpeed, 1, 0) // its delay is 5 s
	f.Step(4 * time.Second)
	want(t, f, "bath", reading.HighSpeed, 0, 0)
}

// The draught of a cold night pulls at a riser with an indoor reference.
func TestTheWeatherHasSeasons(t *testing.T) {
	for name, c := range map[string]struct {
		start     time.Time
		low, high float64
	}{"January": {monday, -20, 12}, "July": {monday.AddDate(0, 6, 0), 8, 38}} {
		f := field.New(campus(t, 1), 9, c.start)
		for range 48 {
			f.Step(time.Hour)
			if out, _ := f.Value("night", reading.OutdoorTemperature); out < c.low || out > c.high {
				t.Errorf("%s: %.1f C at %s", name, out, f.Now().Format(time.DateTime))
			}
		}
	}
}

func put(t *testing.T, f *field.Field, fault field.Fault) {
	t.Helper()
	if err := f.Put(fault); err != nil {
		t.Fatal(err)
	}
}
