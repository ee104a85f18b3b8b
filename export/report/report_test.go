package report

import (
	"context"
	"errors"
	"math"
	"slices"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/rules/condition"
)

// paper keeps readings in memory.
type paper struct {
	rows map[reading.FanID][]row
	err  error
}

type row struct {
	at   time.Time
	mode condition.Mode
	r    reading.Reading
}

func (p *paper) Readings(ctx context.Context, fan reading.FanID, _ reading.Point, from, to time.Time, yield func(*reading.Reading, condition.Mode) error) error {
	for i := range p.rows[fan] {
		one := &p.rows[fan][i]
		if one.at.Before(from) || !one.at.Before(to) {
			continue
		}
		if err := yield(&one.r, one.mode); err != nil {
			return err
		}
	}
	return errors.Join(p.err, ctx.Err())
}

// keep adds a reading.
func (p *paper) keep(fan reading.FanID, at time.Time, mode condition.Mode, pressure, speed float64) *reading.Reading {
	if p.rows == nil {
		p.rows = make(map[reading.FanID][]row)
	}
	one := row{at: at, mode: mode, r: reading.Reading{Fan: fan, Time: at}}
	one.r.Set(reading.Pressure, pressure)
	one.r.Set(reading.Speed, speed)
	p.rows[fan] = append(p.rows[fan], one)
	return &p.rows[fan][len(p.rows[fan])-1].r
}

// lose adds a poll that brought nothing.
func (p *paper) lose(fan reading.FanID, at time.Time) {
	p.rows[fan] = append(p.rows[fan], row{at: at, mode: condition.Controlling, r: reading.Reading{Fan: fan, Time: at, Outcome: reading.Timeout}})
}

var (
	chicago = zone("America/Chicago")
	alder   = &config.Building{ID: "alder", Name: "Alder Hall"}
	birch   = &config.Building{ID: "birch"}
	roof    = &config.Gateway{ID: "alder-roof", Building: alder, StaleAfter: 20 * time.Second}
	january = Month{2026, time.January}
	begin   = january.Begins(chicago)
)

func zone(name string) *time.Location {
	z, err := time.LoadLocation(name)
	if err != nil {
		panic(err)
	}
	return z
}

// fleet has one fan in alder that holds -30 Pa within 5, and one elsewhere.
func fleet() *config.Fleet {
	fan := func(id reading.FanID, in *config.Building) *config.Fan {
		return &config.Fan{ID: id, Building: in, Gateway: roof, Setpoint: -30, HasSetpoint: true, MinSpeed: 0.2, MaxSpeed: 1, StoppedBelow: 0.05}
	}
	return &config.Fleet{Location: chicago, Buildings: []*config.Building{alder, birch}, Fans: []*config.Fan{fan("ef1", alder), fan("ef9", birch)}}
}

func made(t *testing.T, w Wanted, kept *paper) *Report {
	t.Helper()
	if w.Fleet == nil {
		w.Fleet = fleet()
	}
	if w.Month == (Month{}) {
		w.Month = january
	}
	if w.Now.IsZero() {
		w.Now = begin.Add(1000 * time.Hour)
	}
	w.Building = alder
	r, err := Make(t.Context(), &w, kept)
	if err != nil {
		t.Fatal(err)
	}
	for i := range r.Fans {
		divides(t, r, &r.Fans[i])
	}
	return r
}

// divides checks that a fan's hours are all of the month, each once.
func divides(t *testing.T, r *Report, f *Fan) {
	t.Helper()
	if sum := f.Recorded + f.Unanswered + f.Missing; sum != r.To.Sub(r.From) {
		t.Errorf("%s: the month has %s of %s", f.Fan.ID, sum, r.To.Sub(r.From))
	}
	if sum := f.Own() + f.Idle + f.Stopped + f.Forced + f.Disabled; sum != f.Recorded {
		t.Errorf("%s: %s of %s are told", f.Fan.ID, sum, f.Recorded)
	}
	if f.Missing < 0 || f.AtTop > f.Own() || f.AtLowest > f.Own() || f.Ran > f.Recorded {
		t.Errorf("%s: %+v", f.Fan.ID, f.Hours)
	}
}

func at(s float64) time.Time { return begin.Add(time.Duration(s * float64(time.Second))) }

func TestAReadingStandsUntilTheNextAndNoLongerThanItMay(t *testing.T) {
	var p paper
	p.keep("ef1", at(-10), condition.AtMax, -5, 1)           // 10 s of it lie within the month: until it would be stale
	p.keep("ef1", at(100), condition.Controlling, -30, 0.5)  // 5 s
	p.keep("ef1", at(105), condition.Controlling, -35, 0.6)  // 5 s, just within the tolerance
	p.keep("ef1", at(110), condition.Controlling, -35.1, .6) // 5 s, just outside
	p.lose("ef1", at(115))                                   // 5 s
	p.keep("ef1", at(120), condition.AtMin, -40, 0.22)       // 20 s, and then nothing
	p.keep("ef1", at(3600), condition.Forced, -30, 0.8)      // 5 s
	p.keep("ef1", at(3605), condition.Disabled, 0, 0)        // 5 s
	p.keep("ef1", at(3610), condition.Idle, -10, 0)          // 5 s
	p.keep("ef1", at(3615), condition.Stopped, -10, 0)       // 5 s
	p.keep("ef1", at(3620), condition.Unknown, -10, 0.5)     // 5 s of which the rules knew nothing
	p.keep("ef1", at(3625), condition.RunOn, -30, 0.2)       // 1 s
	p.keep("ef1", at(3626), condition.Starting, -30, 0.9)
	p.rows["ef1"][len(p.rows["ef1"])-1].r.Mark(reading.Pressure, reading.Marked) // 20 s
	r := made(t, Wanted{}, &p)
	if len(r.Fans) != 1 {
		t.Fatalf("%d fans", len(r.Fans))
	}
	s := func(n float64) time.Duration { return time.Duration(n * float64(time.Second)) }
	want := Hours{Recorded: s(86), Unanswered: s(10), Missing: 744*time.Hour - s(96), AtSetpoint: s(11), OffSetpoint: s(35), Untold: s(20),
		Idle: s(5), Stopped: s(5), Forced: s(5), Disabled: s(5), AtTop: s(10), AtLowest: s(21)}
	f := r.Fans[0]
	if f.Hours != want {
		t.Errorf("\n got %+v\nwant %+v", f.Hours, want)
	}
	if !r.First.Equal(at(100)) || !r.Last.Equal(at(3626)) || !r.Whole || r.Empty() {
		t.Errorf("from %s to %s, whole %v", r.First, r.Last, r.Whole)
	}
	// (10 at 1, 5 at .5, 10 at .6, 20 at .22, 5 at .8, 1 at .2, 20 at .9) / 71 s.
	if want := (10 + 2.5 + 6 + 4.4 + 4 + 0.2 + 18) / 71; math.Abs(f.MeanSpeed-want) > 1e-12 || f.Ran != s(71) {
		t.Errorf("mean speed %g over %s, want %g", f.MeanSpeed, f.Ran, want)
	}
}

func TestTheMonthIsCountedUpToNow(t *testing.T) {
	var p paper
	p.keep("ef1", at(0), condition.Controlling, -30, 0.5)
	r := made(t, Wanted{Now: at(15)}, &p)
	if r.Whole || !r.To.Equal(at(15)) || r.Fans[0].Recorded != 15*time.Second || r.Fans[0].Missing != 0 {
		t.Errorf("until %s: %+v", r.To, r.Fans[0].Hours)
	}
}

// The clocks of Chicago are set forward on 8 March 2026 and back on 1 November
// (15 U.S.C. 260a: second Sunday of March, first of November).
func TestAMonthHasTheHoursThatItsClocksMake(t *testing.T) {
	for month, hours := range map[Month]int{
		{2026, time.February}: 672, {2024, time.February}: 696, {2026, time.March}: 743, {2026, time.April}: 720, {2026, time.November}: 721,
		{2026, time.December}: 744,
	} {
		r := made(t, Wanted{Month: month, Now: month.Next().Begins(chicago)}, &paper{})
		if got := r.To.Sub(r.From); got != time.Duration(hours)*time.Hour || r.Fans[0].Missing != got {
			t.Errorf("%s has %s, missing %s; want %d h", month, got, r.Fans[0].Missing, hours)
		}
		if !r.Empty() || !r.Whole {
			t.Errorf("%s: empty %v, whole %v", month, r.Empty(), r.Whole)
		}
	}
}

// An hour that is repeated counts twice, and one that is left out not at all.
func TestHoursOverAChangeOfClocks(t *testing.T) {
	month := Month{2026, time.November}
	from := month.Begins(chicago)
	var p paper
	for s := 0; s < 4*3600; s += 5 {
		p.keep("ef1", from.Add(time.Duration(s)*time.Second), condition.Controlling, -30, 0.5)
	}
	r := made(t, Wanted{Month: month, Now: time.Date(2026, 11, 1, 3, 0, 0, 0, chicago)}, &p)
	if r.Fans[0].AtSetpoint != 4*time.Hour || r.Fans[0].Missing != 0 {
		t.Errorf("at setpoint %s, missing %s", r.Fans[0].AtSetpoint, r.Fans[0].Missing)
	}
}

func TestStarts(t *testing.T) {
	var p paper
	run := func(s float64, speed float64) {
		mode := condition.Controlling
		if speed < 0.05 {
			mode = condition.Idle
		}
		p.keep("ef1", at(s), mode, -30, speed)
	}
	run(-5, 0)
	run(0, 0.5) // a start
	run(5, 0.04)
	run(10, 0.05) // one at the very edge
	run(15, 0)
	p.lose("ef1", at(20))
	run(25, 0.3) // one over an answer that was lost
	run(30, 0)
	run(60, 0.3) // one in a gap: nobody knows
	run(65, 0.4)
	if got := made(t, Wanted{}, &p).Fans[0].Starts; got != 3 {
		t.Errorf("%d starts, want 3", got)
	}
}

func TestTheSetpointIsTheControllersWhereItIsAsked(t *testing.T) {
	for name, c := range map[string]struct {
		mapped, told bool
		want         time.Duration
	}{
		"the fleet file's":  {false, false, 20 * time.Second},
		"the controller's":  {true, true, 0},
		"asked and not got": {true, false, 0},
	} {
		fleet := fleet()
		if c.mapped {
			fleet.Fans[0].Points = []config.PlacedPoint{{Point: reading.Setpoint}}
		}
		var p paper
		one := p.keep("ef1", at(0), condition.Controlling, -30, 0.5)
		if c.told {
			one.Set(reading.Setpoint, -60)
		}
		f := made(t, Wanted{Fleet: fleet}, &p).Fans[0]
		if f.AtSetpoint != c.want || (f.Untold > 0) != (c.mapped && !c.told) {
			t.Errorf("%s: %+v", name, f.Hours)
		}
	}
}

func TestFansOfABuilding(t *testing.T) {
	fleet := fleet()
	second := *fleet.Fans[0]
	second.ID = "ef2"
	fleet.Fans = append(fleet.Fans, &second)
	var p paper
	p.keep("ef2", at(0), condition.Controlling, -30, 0.5)
	p.keep("ef9", at(0), condition.Controlling, -30, 0.5)
	r := made(t, Wanted{Fleet: fleet}, &p)
	var ids []reading.FanID
	for _, f := range r.Fans {
		ids = append(ids, f.Fan.ID)
	}
	sum := r.Sum()
	if !slices.Equal(ids, []reading.FanID{"ef1", "ef2"}) || sum.Recorded != 20*time.Second || sum.Missing != 2*744*time.Hour-20*time.Second {
		t.Errorf("%v: %+v", ids, sum)
	}
}

func TestAReportThatCannotBeRead(t *testing.T) {
	gone := errors.New("the disk is gone")
	w := &Wanted{Fleet: fleet(), Building: alder, Month: january, Now: at(100)}
	if _, err := Make(t.Context(), w, &paper{err: gone}); !errors.Is(err, gone) {
		t.Errorf("%v", err)
	}
	left, leave := context.WithCancel(t.Context())
	leave()
	if _, err := Make(left, w, &paper{}); !errors.Is(err, context.Canceled) {
		t.Errorf("%v", err)
	}
}

func TestMonths(t *testing.T) {
	for text, good := range map[string]bool{"2026-01": true, "2026-12": true, "2026-13": false, "2026-1": false, "26-01": false,
		"2026-01-05": false, "": false, "2026-00": false, "x": false} {
		if m, err := ParseMonth(text); (err == nil) != good || good && m.String() != text {
			t.Errorf("%q: %v %v", text, m, err)
		}
	}
	if got := (Month{2026, time.December}).Next(); got != (Month{2027, time.January}) {
		t.Errorf("after December comes %s", got)
	}
	if got := january.Before(); got != (Month{2025, time.December}) {
		t.Errorf("before January was %s", got)
	}
	if got := MonthOf(begin.Add(-time.Second)); got != (Month{2025, time.December}) {
		t.Errorf("a second before January is %s", got)
	}
}
