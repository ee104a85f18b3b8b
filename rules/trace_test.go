package rules

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

var midnight = time.Date(2026, 1, 5, 0, 0, 0, 0, time.UTC)

// testFleet is one gateway, "roof", with the given number of suction fans
// "ef1", "ef2", ... that hold -30 Pa and never go idle.
func testFleet(fans int) *config.Fleet {
	building := &config.Building{ID: "alder", Name: "Alder Hall"}
	gateway := &config.Gateway{ID: "roof", Building: building, Scheme: "tcp", Address: "192.0.2.20:502",
		PollEvery: 5 * time.Second, StaleAfter: 20 * time.Second}
	fleet := &config.Fleet{Name: "Harbor College", PollEvery: 5 * time.Second, StaleAfter: 20 * time.Second,
		Location: time.UTC, Rules: condition.Defaults(), Buildings: []*config.Building{building},
		Gateways: []*config.Gateway{gateway}}
	for i := range fans {
		fleet.Fans = append(fleet.Fans, &config.Fan{ID: reading.FanID(fmt.Sprintf("ef%d", i+1)), Gateway: gateway,
			Building: building, Unit: i + 1, Probe: config.Suction, Setpoint: -30, HasSetpoint: true, MinSpeed: 0.2,
			MaxSpeed: 1, StartDelay: 3 * time.Second, StoppedBelow: 0.05, ProbeFactor: 1, AirDensity: 1.20138,
			Rules: condition.Defaults(), Points: placed(0.25, reading.Pressure, reading.Speed)})
	}
	return fleet
}

// placed places points at successive registers, each of a resolution in its
// base unit.
func placed(count float64, points ...reading.Point) []config.PlacedPoint {
	var all []config.PlacedPoint
	for i, p := range points {
		all = append(all, config.PlacedPoint{Point: p, Unit: 1, Table: decode.Input, Address: i,
			Encoding: decode.Encoding{Type: decode.Int16, Bit: decode.NoBit, Scale: count, Unit: units.Unit{Factor: 1}}})
	}
	return all
}

// idling makes a fan one that goes idle below 20 % and restarts 45 Pa above
// its setpoint.
func idling(f *config.Fan) *config.Fan {
	f.GoesIdle, f.IdleBelow, f.RunOn, f.HasRestartRise, f.RestartRise = true, 0.2, 90*time.Second, true, 45
	return f
}

// trace feeds an engine with hand-made time and keeps what comes out.
type trace struct {
	t     testing.TB
	e     *Engine
	fleet *config.Fleet
	now   time.Time
	every time.Duration
	log   []string // "+10m5s raised pinned_at_max ef1"
	got   []condition.Transition
}

func newTrace(t testing.TB, fleet *config.Fleet) *trace {
	return &trace{t: t, e: New(fleet), fleet: fleet, now: midnight, every: fleet.PollEvery}
}

// values are the good values of one reading.
type values map[reading.Point]float64

func at(speed, pressure float64) values {
	return values{reading.Speed: speed, reading.Pressure: pressure}
}

// with returns v and one value more.
func (v values) with(p reading.Point, value float64) values {
	all := values{p: value}
	for q, w := range v {
		if q != p {
			all[q] = w
		}
	}
	return all
}

// feed gives the engine one reading of a fan, now.
func (tr *trace) feed(id reading.FanID, o reading.Outcome, v values) {
	r := &reading.Reading{Fan: id, Gateway: "roof", Time: tr.now, Outcome: o}
	for p, value := range v {
		r.Set(p, value)
	}
	tr.take(tr.e.Observe(r))
}

func (tr *trace) take(all []condition.Transition) {
	for _, t := range all {
		who := string(t.Fan)
		if who == "" {
			who = string(t.Gateway)
		}
		line := fmt.Sprintf("%s %s %s %s", t.Time.Sub(midnight), t.Change, t.Condition, who)
		if t.Reason != "" {
			line += " " + string(t.Reason)
		}
		tr.log = append(tr.log, line)
		tr.got = append(tr.got, t)
	}
}

// play feeds every fan of the fleet once a poll for a span of time. What a fan
// reads is a function of the time since the span began; nil is a timeout.
func (tr *trace) play(span time.Duration, read func(id reading.FanID, since time.Duration) (reading.Outcome, values)) {
	for begun := tr.now; tr.now.Sub(begun) < span; tr.now = tr.now.Add(tr.every) {
		for _, f := range tr.fleet.Fans {
			o, v := read(f.ID, tr.now.Sub(begun))
			tr.feed(f.ID, o, v)
		}
	}
}

// steady feeds every fan the same.
func (tr *trace) steady(span time.Duration, v values) {
	tr.play(span, func(reading.FanID, time.Duration) (reading.Outcome, values) { return reading.OK, v })
}

// fail lets every poll of all fans end the same way.
func (tr *trace) fail(span time.Duration, o reading.Outcome) {
	tr.play(span, func(reading.FanID, time.Duration) (reading.Outcome, values) { return o, nil })
}

// want compares all that came out so far.
func (tr *trace) want(lines ...string) {
	tr.t.Helper()
	if got, want := strings.Join(tr.log, "\n"), strings.Join(lines, "\n"); got != want {
		tr.t.Errorf("changes are\n%s\nwant\n%s", got, want)
	}
}

// within checks that a condition was raised no later than a span after a
// time, and nothing else beside it.
func (tr *trace) within(name condition.Name, from time.Time, span time.Duration) {
	tr.t.Helper()
	found := false
	for _, t := range tr.got {
		if t.Condition != name {
			tr.t.Errorf("%s %s too, at %s", t.Condition, t.Change, t.Time.Sub(midnight))
			continue
		}
		if t.Change == condition.Raised && !found {
			found = true
			if d := t.Time.Sub(from); d > span || d < 0 {
				tr.t.Errorf("%s raised after %s, want within %s", name, d, span)
			}
		}
	}
	if !found {
		tr.t.Errorf("%s was not raised; changes are %v", name, tr.log)
	}
}
