package turnover

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Prove judges what was seen of some fans. Looks holds those of each fan in
// order of time; the answers of each are those of Points(fan).
func Prove(fleet *config.Fleet, fans []*config.Fan, looks map[reading.FanID][]Look) []Fan {
	proven := make([]Fan, len(fans))
	traces := make([]*trace, len(fans))
	for i, f := range fans {
		traces[i] = newTrace(f, fleet.Units, looks[f.ID])
		proven[i] = Fan{Fan: f, Proofs: make([]Proof, len(traces[i].points))}
		for _, at := range traces[i].order() {
			proven[i].Proofs[at] = traces[i].prove(at)
		}
		proven[i].Seen = traces[i].behaviour()
	}
	repeats(traces, proven)
	twins(traces, proven)
	return proven
}

// order lists the points so that those come first by which others are judged: the
// setpoint, then the speed.
func (t *trace) order() []int {
	order := make([]int, len(t.points))
	for i := range order {
		order[i] = i
	}
	first := func(i int) int {
		return slices.Index([]reading.Point{reading.Speed, reading.Setpoint}, t.points[i].Point)
	}
	slices.SortStableFunc(order, func(a, b int) int { return first(b) - first(a) })
	return order
}

// found is what a test of a point came to.
type found struct {
	verdict Verdict
	reason  string
	clear   bool // the reason says it all: no other way to read the words is looked for
}

func passes(format string, args ...any) found {
	return found{verdict: Pass, reason: fmt.Sprintf(format, args...)}
}
func fails(format string, args ...any) found {
	return found{verdict: Fail, reason: fmt.Sprintf(format, args...)}
}

func failsClearly(format string, args ...any) found {
	return found{verdict: Fail, reason: fmt.Sprintf(format, args...), clear: true}
}

func notSeen(format string, args ...any) found {
	return found{verdict: NotSeen, reason: fmt.Sprintf(format, args...)}
}

// prove judges one point.
func (t *trace) prove(at int) Proof {
	place := t.points[at]
	p := Proof{Place: place, Looks: len(t.looks)}
	for k := range t.looks {
		a := &t.looks[k].Answers[at]
		if k == 0 {
			p.First = t.looks[k].Time
		}
		p.Last = t.looks[k].Time
		if a.Failure == nil {
			p.Answered++
			p.Raw = a.Words
		}
	}
	values := t.series[place.Point]
	if n := len(values); n > 0 && !math.IsNaN(values[n-1]) {
		p.Value, p.Known = values[n-1], true
	}
	p.Said = t.says(at)
	p.Expected, p.Tolerance = t.expected(place.Point)
	f := t.judge(at, &p)
	p.Verdict, p.Reason = f.verdict, f.reason
	return p
}

// judge finds the verdict of a point, the grossest fault first.
func (t *trace) judge(at int, p *Proof) found {
	if f, silent := t.silent(at, p); silent {
		return f
	}
	test := t.test(p.Place.Point)
	f, unfit := t.otherUnit(at)
	if !unfit {
		f = test(t.series[p.Place.Point])
	}
	if f.verdict == Fail && !f.clear {
		f.reason += t.instead(at, test)
	}
	if f.verdict == Pass && p.Answered < p.Looks {
		f.reason += fmt.Sprintf("; %d of %d answers were lost", p.Looks-p.Answered, p.Looks)
	}
	return f
}

// silent judges a point that gives no value.
func (t *trace) silent(at int, p *Proof) (found, bool) {
	switch {
	case p.Looks == 0:
		return fails("was never asked: the time was too short for this gateway"), true
	case p.Answered == 0:
		last := t.looks[len(t.looks)-1].Answers[at].Failure
		return fails("does not answer (%s)%s", last.Err, t.refusal(p.Place, last)), true
	case p.Answered*2 < p.Looks:
		return fails("answers only %d of %d times", p.Answered, p.Looks), true
	case t.flagged(at) != nil:
		return fails("%s", worthless(t.flagged(at))), true
	case len(good(t.series[p.Place.Point])) == 0:
		f := fails("answers %s, which means no value", Hex(p.Raw))
		f.reason += t.instead(at, t.test(p.Place.Point))
		return f, true
	}
	return found{}, false
}

// refusal says what a refusal of the device comes from. (Modbus Application
// Protocol V1.1b3, section 7.)
func (t *trace) refusal(p config.PlacedPoint, f *reading.Failure) string {
	switch {
	case p.BACnet():
		return objectRefusal(p, f)
	case f.Outcome == reading.UnitSilent || f.Outcome == reading.Timeout:
		return fmt.Sprintf(": is unit %d the right one, and is it switched on?", t.fan.Unit)
	case f.Code == 1:
		return ": the device does not know this table; try the other kind (holding or input, coil or discrete)"
	case f.Code == 2 || f.Code == 3:
		return ": the device has no such address; manuals count from 1 where the wire counts from 0, and mind the table"
	}
	return ""
}

// tiny reports whether a value is one that only words of another type give.
func tiny(v float64) bool { return v != 0 && math.Abs(v) < 1e-6 }

// compareFar orders by how far a reading is from what is expected; what differs
// by less than a tenth fits as well.
func compareFar(a, b float64) int {
	switch {
	case a < b-0.1:
		return -1
	case b < a-0.1:
		return 1
	}
	return 0
}

// expected is what the fleet file, or the fan's setpoint, says that a point reads.
func (t *trace) expected(p reading.Point) (value *float64, tolerance float64) {
	switch {
	case p == t.fan.Controlled():
		if v := t.setpoint(len(t.looks) - 1); len(t.looks) > 0 && !math.IsNaN(v) {
			return &v, t.fan.Tolerance().At(v)
		}
	case p == reading.Setpoint && t.fan.HasSetpoint:
		v := t.fan.Setpoint
		return &v, t.fan.Rounding(p, v)
	}
	if v, given := t.fan.Given(p); given {
		return &v, t.fan.Rounding(p, v)
	}
	return nil, 0
}

// test returns the one that fits a point.
func (t *trace) test(p reading.Point) func(values []float64) found {
	of := func(values []float64) found { return t.plausible(p, values) }
	switch {
	case p == t.fan.Controlled():
		of = func(values []float64) found { return t.held(p, values) }
	case p == reading.VelocityPressure:
		of = t.velocity
	case p == reading.Speed:
		of = t.speed
	case p == reading.HighSpeed:
		of = t.highSpeed
	case p == reading.Setpoint || p >= reading.MinSpeed && p <= reading.HighSpeedDelay:
		of = func(values []float64) found { return t.setting(p, values) }
	case p == reading.Running || p == reading.Proof:
		of = t.runs
	case p == reading.Enable || p == reading.Fault || p == reading.Override:
		of = func(values []float64) found { return t.contact(p, values) }
	case p == reading.RPM || p == reading.Power:
		of = func(values []float64) found { return t.follows(p, values) }
	case p == reading.Energy || p == reading.RunHours:
		of = func(values []float64) found { return t.counts(p, values) }
	case p == reading.Heartbeat:
		of = t.heartbeat
	case p == reading.HeardAgo:
		of = t.heardAgo
	}
	return of
}

// write writes a value of a point for people.
func (t *trace) write(p reading.Point, v float64) string {
	if p.Contact() {
		return map[bool]string{true: "closed", false: "open"}[v != 0]
	}
	of := p.Dimension()
	if p == reading.Setpoint && t.fan.ControlsAirflow {
		of = units.Flow
	}
	return t.units.Format(v, of)
}

// Hex writes words as people compare them with a manual, or "nothing".
func Hex(words []uint16) string {
	if len(words) == 0 {
		return "nothing"
	}
	all := make([]string, len(words))
	for i, w := range words {
		all[i] = fmt.Sprintf("0x%04X", w)
	}
	return strings.Join(all, " ")
}
