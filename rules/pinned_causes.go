package rules

import (
	"fmt"
	"math"
	"strings"
	"time"

	"fanwarden/poller/units"
	"fanwarden/rules/condition"
)

func (p *pinned) finding(f *fan, s *sample) condition.Finding {
	value, stood := f.sense*s.level, p.found().stood
	finding := condition.Finding{
		Summary: fmt.Sprintf("at top speed (%s) for %s, reading %s against a setpoint of %s",
			f.percent(s.speed), units.Span(stood), f.show(value), f.show(s.setpoint)) + f.company(s.now),
		Evidence: []condition.Number{
			{Name: f.key(f.controlled.String()), Value: value},
			{Name: f.key("setpoint"), Value: s.setpoint},
			{Name: f.key("tolerance"), Value: s.tolerance},
			{Name: "speed", Value: s.speed},
			{Name: "stood_s", Value: stood.Seconds()},
		},
		Causes: p.causes(f, s),
	}
	add := func(name string, value float64) {
		finding.Evidence = append(finding.Evidence, condition.Number{Name: name, Value: value})
	}
	r := &f.response
	if r.held > 0 {
		add("held_setpoint_at_speed", r.at)
	}
	if r.measured() {
		add(f.key("moved_by_full_speed"), r.learned.value)
		add(f.key("moved_by_full_speed_last"), r.last)
	}
	return finding
}

// strength says how strongly a fan moves its reading now, beside before.
type strength uint8

const (
	notKnown strength = iota
	asEver
	weaker
	neverEnough // for this setpoint
)

// (Engineering choices.)
const (
	stillStrong = 0.75 // of the gain
	muchWeaker  = 0.5  // demand that rises as the fan climbs hides a part
	recently    = 24 * time.Hour
)

// strength compares what the fan showed last, at a stop, at a forced step or as
// it climbed after it had lost its setpoint, with what was learned before, and
// that with what its setpoint asks. It says by what it is known.
func (f *fan) strength(s *sample) (how strength, by string) {
	r := &f.response
	made, l := r.gain(), &r.lapse
	climbed := l.open && l.shows == showsEffect && made > 0
	climb := func(how string) string {
		return fmt.Sprintf("it pulls %s: as it sped up its reading followed as if full speed moved it by %s, and %s was usual",
			how, f.show(l.slope), f.show(made))
	}
	switch {
	case r.measured() && made*f.load(s.speed) < math.Abs(s.target):
		return neverEnough, fmt.Sprintf("its stops and forced steps show that it moves the reading by %s at this speed, and the setpoint asks for %s",
			f.show(made*f.load(s.speed)), f.show(math.Abs(s.target)))
	case climbed && l.slope >= stillStrong*made:
		return asEver, climb("as strongly as ever")
	case climbed && l.slope < muchWeaker*made:
		return weaker, climb("less than it did")
	}
	return f.turned(s)
}

// turned compares what the last stop or forced step of a day showed of the
// fan's strength with what such moves showed before.
func (f *fan) turned(s *sample) (how strength, by string) {
	r := &f.response
	if !r.measured() || r.firm < 2 || time.Duration(s.now-r.lastAt) > recently {
		return notKnown, ""
	}
	made := fmt.Sprintf("full speed moved its reading by %s at its last stop or forced step, and %s was usual", f.show(r.last), f.show(r.gain()))
	if r.last < stillStrong*r.gain() {
		return weaker, "it pulls less than it did: " + made
	}
	return asEver, "it pulls as strongly as ever: " + made
}

// causes ranks what keeps a fan short, by how strongly it still moves its
// reading (response.go): one that pulls as ever is asked for more, one that pulls
// less is worn or blocked. Where that is not known they are ranked by how short it
// is: a fan that moves nothing reads about nothing, one that is nearly there is too
// small or leaks, and one whose reading lies beyond zero is pushed by others.
func (p *pinned) causes(f *fan, s *sample) []condition.Cause {
	held := ""
	if f.response.held > 0 {
		held = "it has held this setpoint at " + f.percent(f.response.at) + " speed before"
	}
	leak := condition.Cause{What: "the riser leaks: an access door, a cap or a damper left open", Speaks: held,
		Check: "ask on the floors it serves what was opened lately, and look at the access doors from outside"}
	target := condition.Cause{What: "the setpoint is more than this fan can hold",
		Check: "see on its trend how long it has ever held this setpoint, and compare it with the papers of the handover"}
	demand := condition.Cause{What: "more exhausts into the riser than the fan was chosen for",
		Check: "see on its trend whether it returns to setpoint at night, and ask what runs now that did not before"}
	block := condition.Cause{What: "something blocks the fan's outlet or inlet: damper, bird screen, ice, lint", Speaks: held,
		Check: "look at the outlet from where it is safe to stand, and keep hands out: the fan can start by itself; " + onRoof}
	proof := condition.Cause{What: "the motor does not turn the wheel: belt, coupling, failed motor or drive",
		Check: "compare speed with rpm, power or the proof contact (`fanwarden points` shows them); " + lockOut}
	tube := condition.Cause{What: "the probe's tube is off, blocked, swapped or on the other side of the fan",
		Check: "see on its trend whether the reading moved at all at the last start or stop"}
	worn := condition.Cause{What: "the fan moves less air than it did: a slipping belt, grease or lint on the wheel, a damper half shut",
		Check: "compare the trend of its reading at earlier starts and stops with the last; then listen for a slipping belt from where it is " +
			"safe to stand; " + lockOut}
	if company := f.allAtTop(s.now); company != "" {
		leak.Speaks, demand.Speaks = company, company
	}
	switch how, by := f.strength(s); how {
	case neverEnough:
		return likeliest(supported(target, true, by), leak, demand, worn)
	case weaker:
		return likeliest(supported(worn, true, by), block, leak, proof)
	case asEver:
		return likeliest(supported(leak, true, by), supported(demand, true, by), target, block)
	}
	lacks := "it lacks only " + f.show(math.Abs(s.short()))
	reads := "at top speed it reads " + f.show(f.sense*s.level) + " of the " + f.show(s.setpoint) + " it should"
	switch beyondZero := f.sense*s.level*math.Copysign(1, s.setpoint) < -s.tolerance; {
	case f.cfg.ControlsAirflow:
		return likeliest(block, target, worn, proof, tube)
	case beyondZero:
		by := "it reads " + f.show(f.sense*s.level) + ", on the far side of zero from its setpoint: a fan does not do that by itself"
		return likeliest(supported(tube, true, by), supported(demand, true, by), proof, block)
	case s.level > s.target/3:
		return likeliest(supported(proof, true, reads), supported(tube, true, reads), leak, block, demand)
	case math.Abs(s.short()) <= 10:
		return likeliest(supported(leak, true, lacks), supported(target, true, lacks), demand, block)
	}
	return likeliest(leak, block, demand, target, proof)
}

// allAtTop says that every partner is at its top as well, "" where that is not
// so.
func (f *fan) allAtTop(now int64) string {
	var all []string
	for _, p := range f.partners {
		if p.aid(now) != atTop {
			return ""
		}
		all = append(all, string(p.cfg.ID))
	}
	switch len(all) {
	case 0:
		return ""
	case 1:
		return all[0] + ", on the same riser, is at its top speed too"
	}
	return strings.Join(all, ", ") + ", on the same riser, are at their top speed too"
}
