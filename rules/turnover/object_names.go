package turnover

import (
	"slices"
	"strings"
	"unicode"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// role is how the object of a point calls itself. (The words are those of the trade,
// common practice; no source.)
type role struct {
	point reading.Point
	has   []string // for each, one of its words parted by "|" must be in the name
	more  string   // words that make it likelier
	not   string   // words that speak against it
	kinds []bacnet.ObjectType
	unit  bool // its unit alone says what it is
}

var (
	measured  = []bacnet.ObjectType{bacnet.AnalogInput}
	commanded = []bacnet.ObjectType{bacnet.AnalogOutput}
	kept      = []bacnet.ObjectType{bacnet.AnalogValue}
	sensed    = []bacnet.ObjectType{bacnet.BinaryInput, bacnet.MultiStateInput}
	switched  = []bacnet.ObjectType{bacnet.BinaryValue, bacnet.BinaryOutput, bacnet.MultiStateValue, bacnet.MultiStateOutput}
)

const (
	target  = "setpoint|setpt|stpt|spt|sp|target"
	lowest  = "min|minimum|low|lowest"
	highest = "max|maximum|highest"
	high    = "high|hi"
	limits  = "limit|alarm|range|deadband|" + lowest + "|" + highest + "|" + high
)

// roles are the points that objects are looked for. What none of them is like stays
// in the list of the others.
var roles = []role{
	{point: reading.Pressure, has: []string{"pressure|press|pres|static|suction|dp"}, more: "riser|duct|shaft", kinds: measured,
		not: "velocity|filter|restart|rise|abort|" + target + "|" + limits},
	{point: reading.VelocityPressure, has: []string{"velocity|vp"}, kinds: measured, not: target + "|" + limits},
	{point: reading.Airflow, has: []string{"airflow|flow|volume|cfm"}, kinds: measured, not: "velocity|switch|" + target + "|" + limits},
	{point: reading.Speed, has: []string{"speed|vfd|vsd|drive|modulation|signal|output"}, more: "command|cmd|commanded|reference|demand", kinds: commanded,
		not: "feedback|actual|delay|idle|override|overridden|restart|start|stopped|off|" + limits},
	{point: reading.Setpoint, has: []string{target}, more: "pressure|press|pres|static|flow|airflow", kinds: kept, not: "speed|temperature|temp|restart|" + limits},
	{point: reading.HighSpeed, has: []string{high, "speed"}, more: "contact|switch|relay", kinds: sensed, not: "alarm"},
	{point: reading.Enable, has: []string{"enable|enabled|permit|permitted|permission|schedule|occupied"}, kinds: switched, not: "alarm"},
	{point: reading.Running, has: []string{"run|running|status|state"}, kinds: sensed, not: "proof|proven|current|flow|enable|alarm|fault|hours|time|on|high|hi|override"},
	{point: reading.Proof, has: []string{"proof|proven|currentswitch|flowswitch|cs"}, kinds: sensed, not: "alarm"},
	{point: reading.Override, has: []string{"override|overridden|hand|manual|forced|bypass"}, kinds: sensed, not: "speed|alarm"},
	{point: reading.Fault, has: []string{"fault|alarm|trip|tripped|fail|failure|trouble"}, kinds: sensed, not: "reset|high|hi|low|enable"},
	{point: reading.RPM, has: []string{"rpm|speed|feedback|actual"}, kinds: measured, not: target + "|" + limits, unit: true},
	{point: reading.Power, has: []string{"power|kw|watts|load"}, kinds: measured, not: limits, unit: true},
	{point: reading.Energy, has: []string{"energy|kwh"}, kinds: measured, not: limits, unit: true},
	{point: reading.RunHours, has: []string{"run|runtime|hours|operating"}, kinds: kept, not: limits},
	{point: reading.MinSpeed, has: []string{lowest, "speed|output|signal"}, kinds: kept, not: highest + "|" + high},
	{point: reading.MaxSpeed, has: []string{highest, "speed|output|signal"}, kinds: kept, not: lowest},
	{point: reading.IdleBelow, has: []string{"idle|stop|stopped", "below|at|threshold|speed"}, kinds: kept},
	{point: reading.RunOn, has: []string{"runon|overrun|purge|offdelay"}, more: "time", kinds: kept},
	{point: reading.StartDelay, has: []string{"startdelay|startupdelay"}, kinds: kept},
	{point: reading.RestartRise, has: []string{"restart"}, kinds: kept},
	{point: reading.OverrideSpeed, has: []string{"override|hand", "speed"}, kinds: kept, not: "force|forced"},
	{point: reading.HighSpeedAt, has: []string{high, "speed"}, more: "threshold|" + target, kinds: kept, not: "off|break|delay"},
	{point: reading.HighSpeedOffAt, has: []string{high, "speed", "off|break"}, kinds: kept, not: "delay"},
	{point: reading.HighSpeedDelay, has: []string{high, "speed", "delay"}, kinds: kept},
	{point: reading.OutdoorTemperature, has: []string{"outdoor|outside|oat|ambient"}, kinds: measured, not: target + "|" + limits},
}

// weigh says what speaks for an object being the point of the role, and how much. A
// score of 0 is none: the object is of another kind, or a word or its unit speaks
// against it.
func (r *role) weigh(o *Object) (c Choice) {
	c.Object = o
	if o.ID.Type.Analog() == r.point.Contact() || !carries(o.ID.Type) || o.ID.Type.MultiState() && closedStates(o) == nil {
		return c
	}
	words := append(words(o.Name), words(o.Description)...)
	unit, stated := o.unit()
	fits := stated && r.dimension(unit.Dimension)
	if oneOf(words, r.not) || stated && !fits || o.HasUnit && !stated && o.Unit != bacnet.NoUnits {
		return c
	}
	named := !slices.ContainsFunc(r.has, func(set string) bool { return !oneOf(words, set) })
	score := 0.0
	switch {
	case named:
		score += 2
		c.Reasons = append(c.Reasons, said(r, o))
	case !fits || !r.unit:
		return c
	default:
		score += 1
	}
	if fits {
		score++
		c.Reasons = append(c.Reasons, "its unit")
	}
	if oneOf(words, r.more) {
		score++
	}
	if slices.Contains(r.kinds, o.ID.Type) {
		score += 0.75
		c.Reasons = append(c.Reasons, "its kind")
	}
	if len(r.has) > 1 && named {
		score++ // more words are more certain
	}
	c.score = score
	return c
}

// said tells whether the name says what the object is, or only its description.
func said(r *role, o *Object) string {
	if slices.ContainsFunc(r.has, func(set string) bool { return !oneOf(words(o.Name), set) }) {
		return "its description"
	}
	return "its name"
}

// dimension reports whether a unit can be the point's.
func (r *role) dimension(d units.Dimension) bool {
	return d == r.point.Dimension() || r.point == reading.Setpoint && d == units.Flow
}

// carries reports whether objects of a kind carry points.
func carries(t bacnet.ObjectType) bool {
	return t.Binary() || t.MultiState() || t.Analog()
}

// closedStates are the states of a multi-state object whose texts say that a contact
// is closed; none where the texts do not part them.
func closedStates(o *Object) (closed []int) {
	const on = "on|run|running|closed|active|true|yes|high|enabled|permitted|alarm|fault|tripped|hand|manual|override"
	for i, text := range o.States {
		if w := words(text); oneOf(w, on) && !oneOf(w, "no|not|off") {
			closed = append(closed, i+1)
		}
	}
	if len(closed) == len(o.States) {
		return nil
	}
	return closed
}

// words are those of a name in small letters, parted where letters, digits and
// capitals change, and each pair of neighbours as one: "HiSpeed Set Point2" is hi,
// speed, set, point, 2, hispeed, speedset, setpoint and point2.
func words(name string) []string {
	var all []string
	var last rune
	for _, c := range name {
		letter, digit := unicode.IsLetter(c), unicode.IsDigit(c)
		switch {
		case !letter && !digit:
		case len(all) > 0 && last != 0 && unicode.IsLetter(last) == letter && (!unicode.IsUpper(c) || unicode.IsUpper(last)):
			all[len(all)-1] += string(unicode.ToLower(c))
		default:
			all = append(all, string(unicode.ToLower(c)))
		}
		if last = c; !letter && !digit {
			last = 0
		}
	}
	for i := range len(all) - 1 {
		all = append(all, all[i]+all[i+1])
	}
	return all
}

func oneOf(words []string, set string) bool {
	for _, one := range strings.Split(set, "|") {
		if slices.Contains(words, one) {
			return true
		}
	}
	return false
}

// generic are words that name no fan.
const generic = "force|forced|fan|exhaust|riser|duct|shaft|motor|the|of|at|point|time|contact|switch|relay|w|value|trip|air|on|off|delay"

// label is what is left of an object's name without the words that say which point it
// is, as "ef 2"; it tells the fans of one device apart.
func label(name string) string {
	w := words(name)
	w = w[:(len(w)+1)/2] // without the pairs
	var left []string
	for i, word := range w {
		pair := i+1 < len(w) && spoken(word+w[i+1]) || i > 0 && spoken(w[i-1]+word)
		if !spoken(word) && !pair {
			left = append(left, word)
		}
	}
	return strings.Join(left, " ")
}

// spoken reports whether a word says something of the point.
func spoken(word string) bool {
	one := []string{word}
	return oneOf(one, generic) || slices.ContainsFunc(roles, func(r role) bool {
		return oneOf(one, r.more) || oneOf(one, r.not) || slices.ContainsFunc(r.has, func(set string) bool { return oneOf(one, set) })
	})
}
