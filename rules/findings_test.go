package rules

import (
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

// findingCase is one case of one condition. In a clear case something speaks
// for the likeliest cause.
type findingCase struct {
	name  string
	of    condition.Name
	fans  int // 1 where it is not given
	set   func(f *config.Fan)
	run   func(tr *trace)
	clear bool
	first string // in the likeliest cause, "" for any
}

// cases raise every condition, some in more than one way.
func cases() []findingCase {
	read := func(v values) func(*trace) { return func(tr *trace) { tr.steady(4*time.Hour, v) } }
	ill := func(set, then func(p *plant)) func(*trace) {
		return func(tr *trace) {
			all := make([]*plant, len(tr.fleet.Fans))
			for i, f := range tr.fleet.Fans {
				all[i] = newPlant(f)
				all[i].push, all[i].gusts = busy, 3
			}
			set(all[0])
			tr.live(2*time.Hour, all...)
			then(all[0])
			tr.live(3*time.Hour, all...)
		}
	}
	same := func(*plant) {}
	noise := rand.New(rand.NewPCG(5, 6))
	return []findingCase{
		{name: "timeouts", of: condition.GatewayDown, fans: 4, clear: true, first: "no power",
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.Timeout) }},
		{name: "refused", of: condition.GatewayDown, fans: 4, clear: true, first: "only connection",
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.Refused) }},
		{name: "BACnet timeouts", of: condition.GatewayDown, fans: 4, clear: true, first: "UDP 47808", set: overBACnet,
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.Timeout) }},
		{name: "BACnet refused", of: condition.GatewayDown, fans: 4, clear: true, first: "network to the devices", set: overBACnet,
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.Refused) }},
		{name: "a router without a way", of: condition.LineSilent, fans: 4, clear: true, first: "behind the router", set: overBACnet,
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.PathUnavailable) }},
		{name: "no unit answers", of: condition.LineSilent, fans: 4, clear: true, first: "line is cut",
			run: func(tr *trace) { tr.fail(5*time.Minute, reading.UnitSilent) }},
		{name: "old values", of: condition.DataNotMoving, clear: true, run: func(tr *trace) {
			p := newRepeater(tr.t.(*testing.T), 4, 5*time.Second)
			p.tr.fleet.Units = tr.fleet.Units
			p.tr.e = New(p.tr.fleet)
			p.live(2 * time.Hour)
			p.stands = func(int) bool { return true }
			p.live(2 * time.Hour)
			tr.got = p.tr.got
		}},
		{name: "a heartbeat that stands", of: condition.DataNotMoving, clear: true, first: "polling", run: func(tr *trace) {
			p := newRepeater(tr.t.(*testing.T), 2, 5*time.Second)
			p.tr.fleet.Units = tr.fleet.Units
			p.tr.e = New(p.tr.fleet)
			p.beat = func(at time.Duration) float64 { return float64(int(min(at, 2*time.Hour).Seconds()) % 7) }
			p.live(2 * time.Hour)
			p.stands = func(int) bool { return true }
			p.live(2 * time.Hour)
			tr.got = p.tr.got
		}},
		{name: "one of four", of: condition.ControllerSilent, fans: 4, clear: true, first: "no power", run: func(tr *trace) {
			tr.play(10*time.Minute, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
				if id == "ef1" {
					return reading.Timeout, nil
				}
				return reading.OK, healthy
			})
		}},
		{name: "a BACnet device that refuses", of: condition.ControllerSilent, fans: 4, clear: true, first: "objects", set: overBACnet, run: func(tr *trace) {
			tr.play(10*time.Minute, func(id reading.FanID, _ time.Duration) (reading.Outcome, values) {
				if id == "ef1" {
					return reading.Exception, nil
				}
				return reading.OK, healthy
			})
		}},
		{name: "unheard", of: condition.ControllerSilent, run: read(healthy.with(reading.HeardAgo, 60))},
		{name: "standing", of: condition.ControllerFault, set: func(f *config.Fan) { idling(f) }, clear: true, first: "tripped",
			run: read(at(0, -31).with(reading.Fault, 1))},
		{name: "works all the same", of: condition.ControllerFault, clear: true, first: "other way round",
			run: read(at(0.55, -30).with(reading.Fault, 1))},
		{name: "drives its fan", of: condition.SensorFrozen, clear: true, first: "transmitter",
			run: ill(same, func(p *plant) { p.sensor = stuckAt(-24.25) })},
		{name: "quiet", of: condition.SensorFrozen, fans: 2, clear: true, first: "holds its input",
			run: ill(same, func(p *plant) { p.sensor = stuckAt(-30) })},
		{name: "jump", of: condition.SensorOutOfRange, set: ranged(-500, 500), clear: true, first: "wire",
			run: ill(same, func(p *plant) { p.sensor = stuckAt(500) })},
		{name: "by the controller's word", of: condition.SensorOutOfRange, clear: true, first: "wire", run: func(tr *trace) {
			for end := tr.now.Add(time.Hour); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
				r := &reading.Reading{Fan: "ef1", Gateway: "roof", Time: tr.now, Outcome: reading.Invalid}
				r.Set(reading.Speed, 0.6)
				r.Mark(reading.Pressure, reading.Marked)
				tr.take(tr.e.Observe(r))
			}
		}},
		{name: "by the device's flag", of: condition.SensorOutOfRange, clear: true, first: "fault of its own", run: worthless(reading.Faulty)},
		{name: "out of service", of: condition.SensorOutOfRange, clear: true, first: "out of service", run: worthless(reading.OutOfService)},
		{name: "overridden", of: condition.SensorOutOfRange, clear: true, first: "holds its pressure", run: worthless(reading.Overridden)},
		{name: "another unit", of: condition.SensorOutOfRange, clear: true, first: "unit of its pressure", run: worthless(reading.OtherUnit)},
		{name: "at its top", of: condition.InvertedSign, clear: true, first: "tubes", run: read(at(1, 95))},
		{name: "mirrored", of: condition.InvertedSign, clear: true, first: "point map", run: read(at(0.55, 29))},
		{name: "a forced step", of: condition.InvertedSign, run: func(tr *trace) {
			tr.steady(10*time.Minute, at(0.3, 15).with(reading.Override, 0))
			tr.steady(10*time.Minute, at(1, 120).with(reading.Override, 1))
		}},
		{name: "one setting", of: condition.SettingsChanged, clear: true, first: "somebody",
			set: func(f *config.Fan) { f.Points = readBack().Fans[0].Points },
			run: func(tr *trace) {
				tr.steady(time.Hour, told(0.2, 45))
				tr.steady(time.Hour, told(0.35, 45))
			}},
		{name: "all settings", of: condition.SettingsChanged, clear: true, first: "replaced",
			set: func(f *config.Fan) { f.Points = readBack().Fans[0].Points },
			run: func(tr *trace) {
				tr.steady(time.Hour, told(0.2, 45))
				tr.steady(time.Hour, told(0.35, 20))
			}},
		{name: "belt off", of: condition.NoEffect, clear: true, first: "belt",
			run: ill(func(p *plant) { p.push, p.gusts, p.ramp = restless(8), 1.5, 0.006 }, func(p *plant) { p.broken = true })},
		{name: "no rotation", of: condition.NoEffect, clear: true, first: "motor does not turn", run: func(tr *trace) {
			tr.steady(30*time.Minute, at(0.6, -30).with(reading.RPM, 900))
			tr.steady(15*time.Minute, at(1, 4).with(reading.RPM, 20))
		}},
		{name: "tube off", of: condition.NoEffect, clear: true, first: "tube", run: func(tr *trace) {
			p := newPlant(tr.fleet.Fans[0])
			p.push, p.gusts, p.ramp = restless(10), 1, 0.006
			for at := time.Duration(0); at < 100*time.Minute; at += time.Second {
				p.broken = at > 40*time.Minute
				if v := p.tick(at).with(reading.Proof, 1); at%tr.every == 0 {
					tr.now = midnight.Add(at)
					tr.feed("ef1", reading.OK, v)
				}
			}
		}},
		{name: "past its restart point", of: condition.StuckIdle, set: func(f *config.Fan) { idling(f) }, clear: true,
			run: read(at(0, 40).with(reading.Enable, 1))},
		{name: "a step", of: condition.StuckIdle, set: func(f *config.Fan) { idling(f).RestartRise = 200 }, clear: true, first: "restart rise",
			run: func(tr *trace) {
				tr.steady(2*time.Hour, at(0, -10))
				tr.steady(2*time.Hour, at(0, 60))
			}},
		{name: "idle for days", of: condition.StuckIdle, set: func(f *config.Fan) { idling(f) }, clear: true, first: "draught",
			run: func(tr *trace) {
				tr.every = time.Minute
				tr.steady(73*time.Hour, at(0, -60))
			}},
		{name: "constant", of: condition.PinnedAtMax, run: read(at(1, -12))},
		{name: "held before", of: condition.PinnedAtMax, clear: true, first: "leaks",
			run: func(tr *trace) {
				tr.steady(2*time.Hour, at(0.6, -30))
				tr.steady(time.Hour, at(1, -18))
			}},
		{name: "a riser of three", of: condition.PinnedAtMax, clear: true, first: "leaks", run: func(tr *trace) {
			g := group(tr.t.(*testing.T), 3)
			g.fleet.Units = tr.fleet.Units
			g.e = New(g.fleet)
			g.steady(time.Hour, at(1, -10))
			tr.got = g.got
		}},
		{name: "a riser of five", of: condition.PinnedAtMax, run: func(tr *trace) {
			g := group(tr.t.(*testing.T), 5)
			g.fleet.Units = tr.fleet.Units
			g.e = New(g.fleet)
			g.each(time.Hour, at(1, -12), at(1, -12), at(1, -12), at(0, -12), nil)
			tr.got = g.got
		}},
		{name: "beyond zero", of: condition.PinnedAtMax, clear: true, first: "tube", run: read(at(1, 40))},
		{name: "it pulls as ever", of: condition.PinnedAtMax, clear: true, first: "leaks", run: func(tr *trace) {
			for range 3 { // forced steps, by which its strength is known
				tr.steady(20*time.Minute, at(0.5, -30).with(reading.Override, 0))
				tr.steady(5*time.Minute, at(1, -120).with(reading.Override, 1))
			}
			tr.steady(20*time.Minute, at(0.5, -30).with(reading.Override, 0))
			tr.steady(time.Hour, at(1, -12).with(reading.Override, 0))
		}},
		{name: "more than it can", of: condition.PinnedAtMax, clear: true, first: "the setpoint is more", run: func(tr *trace) {
			for range 3 {
				tr.steady(20*time.Minute, at(0.5, 5).with(reading.Override, 0))
				tr.steady(5*time.Minute, at(1, -10).with(reading.Override, 1))
			}
			tr.steady(time.Hour, at(1, -18).with(reading.Override, 0))
		}},
		{name: "too strong", of: condition.PinnedAtMin, clear: true, first: "lowest speed", run: read(at(0.2, -42))},
		{name: "draught", of: condition.PinnedAtMin, clear: true, first: "draught",
			set: func(f *config.Fan) {
				f.RiserHeight, f.Reference = 60, config.Indoor
				f.Points = append(f.Points, placed(0.1, reading.OutdoorTemperature)...)
			}, run: read(at(0.2, -42).with(reading.OutdoorTemperature, -10))},
		{name: "swings", of: condition.Hunting, clear: true, first: "gain", run: func(tr *trace) {
			tr.run(time.Hour, func(at time.Duration) values { return swinging(at, time.Minute, 0.1, 8) })
		}},
		{name: "faster than polls", of: condition.Hunting, clear: true, run: func(tr *trace) {
			tr.every = 30 * time.Second
			tr.run(time.Hour, func(at time.Duration) values { return swinging(at, 75*time.Second, 0.1, 8) })
		}},
		{name: "short", of: condition.OffSetpoint, clear: true, first: "another setpoint", run: read(at(0.6, -20))},
		{name: "beyond", of: condition.OffSetpoint, clear: true, run: read(at(0.6, -40))},
		{name: "open", of: condition.ContactDisagrees, set: withContact, clear: true, first: "wire", run: func(tr *trace) {
			tr.steady(time.Hour, at(0.4, -30).with(reading.HighSpeed, 0))
			tr.steady(time.Hour, at(0.9, -30).with(reading.HighSpeed, 0))
		}},
		{name: "closed", of: condition.ContactDisagrees, set: withContact, run: read(at(0.4, -30).with(reading.HighSpeed, 1))},
		{name: "every ten minutes", of: condition.ShortCycling, set: func(f *config.Fan) { idling(f) }, clear: true,
			run: func(tr *trace) { tr.run(2*time.Hour, cycling(10*time.Minute)) }},
		{name: "from the first reading", of: condition.OverrideLeftOn, clear: true, first: "wiring", run: func(tr *trace) {
			tr.every = time.Minute
			tr.steady(25*time.Hour, at(0.9, -30).with(reading.Override, 1))
		}},
		{name: "by day", of: condition.OverrideLeftOn, clear: true, first: "somebody", run: func(tr *trace) {
			tr.every = time.Minute
			tr.steady(9*time.Hour, at(0.5, -30).with(reading.Override, 0))
			tr.steady(25*time.Hour, at(0.9, -30).with(reading.Override, 1))
		}},
		{name: "week by week", of: condition.CreepingLoad, fans: 5, clear: true, run: func(tr *trace) {
			tr.every, tr.fleet.PollEvery, tr.fleet.Gateways[0].PollEvery = 10*time.Minute, 10*time.Minute, 10*time.Minute
			tr.e = New(tr.fleet)
			tr.play(8*7*24*time.Hour, func(id reading.FanID, since time.Duration) (reading.Outcome, values) {
				more := 0.0
				if id == "ef1" {
					more = 0.02 * max(0, week(since)-2)
				}
				return reading.OK, at(0.45+0.15*math.Sin(2*math.Pi*float64(tr.now.Hour())/24)+more, -30+noise.NormFloat64())
			})
		}},
	}
}

var (
	// No sentence says words of the engine, or gives advice that hurts.
	banned = regexp.MustCompile(`(?i)\b(bridge|jumper|reset twice|evidence|hold time|surprise|regularity|correlation|NaN|Inf)\b|%!`)
	digit  = regexp.MustCompile(`[0-9]`)
	begins = regexp.MustCompile(`^[a-z0-9]`)
)

const longestSummary = 160

func TestFindingsOfEveryCondition(t *testing.T) {
	raised := make(map[condition.Name]bool)
	for _, c := range cases() {
		raised[c.of] = true
		for _, system := range []units.System{units.Imperial, units.Metric} {
			t.Run(fmt.Sprintf("%s, %s, %v", c.of, c.name, system), func(t *testing.T) {
				f, ok := raise(t, c, system)
				if !ok {
					return
				}
				checkSummary(t, f.Summary)
				checkNumbers(t, f.Evidence)
				checkCauses(t, c, f.Causes)
				t.Logf("%s", aloud(f))
			})
		}
	}
	for _, d := range condition.Catalogue() {
		if !raised[d.Name] {
			t.Errorf("no case raises %s", d.Name)
		}
	}
}

// raise plays a case and returns what was found.
func raise(t *testing.T, c findingCase, system units.System) (condition.Finding, bool) {
	fleet := testFleet(max(c.fans, 1))
	fleet.Units = system
	if c.set != nil {
		c.set(fleet.Fans[0])
	}
	tr := newTrace(t, fleet)
	c.run(tr)
	for _, got := range tr.got {
		if got.Change == condition.Raised && got.Condition == c.of {
			return got.Finding, true
		}
	}
	t.Errorf("not raised; changes are %v", tr.log)
	return condition.Finding{}, false
}

func checkSummary(t *testing.T, s string) {
	if n := len([]rune(s)); n > longestSummary {
		t.Errorf("%d characters: %s", n, s)
	}
	if !digit.MatchString(s) || !begins.MatchString(s) || strings.ContainsAny(s, "\n\t") || strings.HasSuffix(s, ".") || banned.MatchString(s) {
		t.Errorf("not a summary: %q", s)
	}
	for _, place := range []string{"Alder", "roof", "ef1"} {
		if strings.Contains(s, place) {
			t.Errorf("tells the place itself: %q", s)
		}
	}
}

// checkNumbers wants numbers whose unit is known by their names: what has none
// is a count, or a contact.
func checkNumbers(t *testing.T, all []condition.Number) {
	if len(all) == 0 {
		t.Error("no numbers")
	}
	seen := make(map[string]bool)
	for _, n := range all {
		of, _ := n.Dimension()
		whole := n.Value == math.Trunc(n.Value) && n.Value >= 0
		switch {
		case math.IsNaN(n.Value) || math.IsInf(n.Value, 0):
			t.Errorf("%s is %v", n.Name, n.Value)
		case of == units.Plain && !whole, n.Contact() && n.Value > 1:
			t.Errorf("%s is %v, and its name has no unit", n.Name, n.Value)
		case of == units.Ratio && math.Abs(n.Value) > 1:
			t.Errorf("%s is %v, and no ratio", n.Name, n.Value)
		case seen[n.Name]:
			t.Errorf("%s is there twice", n.Name)
		}
		seen[n.Name] = true
	}
}

func checkCauses(t *testing.T, c findingCase, all []condition.Cause) {
	if len(all) == 0 {
		t.Fatal("no causes")
	}
	silent := false
	for _, one := range all {
		if one.What == "" || one.Check == "" || banned.MatchString(one.String()) || strings.ContainsAny(one.String(), "\n\t") {
			t.Errorf("not a cause: %+v", one)
		}
		if silent && one.Speaks != "" {
			t.Errorf("nothing speaks for a cause before %q", one.What)
		}
		silent = one.Speaks == ""
	}
	if first := all[0]; c.clear == (first.Speaks == "") {
		t.Errorf("for %q speaks %q", first.What, first.Speaks)
	} else if !strings.Contains(first.What, c.first) {
		t.Errorf("first is %q (%s), want %q", first.What, first.Speaks, c.first)
	}
}

// aloud writes a finding as it is read to somebody.
func aloud(f condition.Finding) string {
	text := "SUMMARY " + f.Summary
	for _, c := range f.Causes {
		text += "\n      - " + c.String()
	}
	text += "\n     "
	for _, n := range f.Evidence {
		text += fmt.Sprintf(" %s=%.6g", n.Name, n.Value)
	}
	return text
}

// What protects people is left to those who answer for it, whatever its duty is
// called.
func TestChecksOfAnExhaustThatProtectsPeopleLeaveItAlone(t *testing.T) {
	for _, duty := range []config.Duty{config.Kitchen, config.Laboratory, config.Garage, config.DryerShaft, config.SmokeControl, config.Bath} {
		fleet := testFleet(1)
		fleet.Fans[0].Duty = duty
		tr := newTrace(t, fleet)
		tr.steady(30*time.Minute, at(1, -10))
		for _, c := range tr.got[0].Causes {
			if careful := strings.Contains(c.Check, "exhaust: only look"); careful != (duty != config.Bath) {
				t.Errorf("%s: %q is checked by %q", duty, c.What, c.Check)
			}
		}
	}
}

// worthless has a fan run whose device says that its pressure is none.
func worthless(q reading.Quality) func(*trace) {
	return func(tr *trace) {
		for end := tr.now.Add(time.Hour); tr.now.Before(end); tr.now = tr.now.Add(tr.every) {
			r := &reading.Reading{Fan: "ef1", Gateway: "roof", Time: tr.now, Outcome: reading.Invalid}
			r.Set(reading.Speed, 0.6)
			r.Mark(reading.Pressure, q)
			tr.take(tr.e.Observe(r))
		}
	}
}

// overBACnet has a fan read through a BACnet gateway.
func overBACnet(f *config.Fan) {
	f.Gateway.Scheme, f.Gateway.Address = config.BACnet, "10.20.3.255:47808"
}
