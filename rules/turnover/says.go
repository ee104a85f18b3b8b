package turnover

import (
	"errors"
	"fmt"
	"strings"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// Says is what a BACnet object says of its own value.
type Says struct {
	Value       float64 // as the device gives it
	Known       bool    // it gave a value
	Type        bacnet.Type
	Flags       bacnet.StatusFlags
	Reliability bacnet.Reliability
	Unit        bacnet.EngineeringUnits
	HasUnit     bool // it states a unit, be it no-units
	Polarity    bacnet.Polarity
	HasPolarity bool
}

// Note takes a property of the object; one that it does not have changes nothing.
func (s *Says) Note(r bacnet.Result) {
	if r.Err != nil || len(r.Values) == 0 {
		return
	}
	v := r.Values[0]
	switch r.Property {
	case bacnet.StatusFlagsOf:
		s.Flags, _ = v.Flags()
	case bacnet.ReliabilityOf:
		s.Reliability, _ = v.Reliability()
	case bacnet.PolarityOf:
		s.Polarity, s.HasPolarity = v.Polarity()
	case bacnet.UnitsOf:
		s.Unit, s.HasUnit = v.Units()
	default:
		s.Value, s.Known = v.Number()
		s.Type = v.Type
	}
}

// Keep takes over what was stated before and is not asked for every time.
func (s *Says) Keep(before *Says) {
	s.Unit, s.HasUnit, s.Polarity, s.HasPolarity = before.Unit, before.HasUnit, before.Polarity, before.HasPolarity
}

// Dimension is that of the unit that the object states, if fleet files know it; else
// [units.Plain].
func (s *Says) Dimension() units.Dimension {
	name, _ := s.Unit.Name()
	if unit, known := units.Find(name); known && s.HasUnit {
		return unit.Dimension
	}
	return units.Plain
}

// Quality is what the value is worth by what the object says of it.
func (s *Says) Quality() reading.Quality { return bacnet.Worth(s.Flags, s.Reliability) }

// flagged writes what an object says against its own value, to stand behind it.
func (s *Says) flagged() string {
	if s.Flags == (bacnet.StatusFlags{}) && s.Reliability == 0 {
		return ""
	}
	return ", flagged " + s.State()
}

// Worth returns what an answer with words means, in the base unit, and what that is
// worth.
func Worth(p config.PlacedPoint, a *Answer) (float64, reading.Quality) {
	value, q := p.Encoding.Decode(a.Words)
	switch {
	case a.Object == nil || q != reading.Good:
	case a.Object.Quality() != reading.Good:
		q = a.Object.Quality()
	case !UnitAgrees(p, a.Object):
		q = reading.OtherUnit
	}
	return value, q
}

// State writes flags and reliability for people.
func (s *Says) State() string {
	var says []string
	for _, one := range []struct {
		set  bool
		name string
	}{{s.Flags.InAlarm, "in alarm"}, {s.Flags.Fault, "fault"}, {s.Flags.Overridden, "overridden"}, {s.Flags.OutOfService, "out of service"}} {
		if one.set {
			says = append(says, one.name)
		}
	}
	if s.Reliability != 0 {
		says = append(says, s.Reliability.String())
	}
	if len(says) == 0 {
		return "no flags"
	}
	return strings.Join(says, ", ")
}

// objectRecord keeps for the record what an object said last.
func objectRecord(p *Proof) *Said {
	r := &Said{Object: p.Place.Object.String(), States: p.Place.States, Flags: "no answer"}
	if s := p.Said; s != nil {
		r.Flags = s.State()
		if s.HasUnit {
			r.Unit = s.Unit.String()
		}
		if s.HasPolarity {
			r.Polarity = map[bacnet.Polarity]string{bacnet.Normal: "normal", bacnet.Reverse: "reverse"}[s.Polarity]
		}
	}
	return r
}

// objectType is the type in which the device gave the value.
func objectType(p *Proof) string {
	if p.Said == nil {
		return ""
	}
	return p.Said.Type.String()
}

// flagged returns what an object says against its own value, if it did so most of
// the time: a value that the device itself does not stand by proves nothing.
func (t *trace) flagged(at int) (last *Says) {
	bad, told := 0, 0
	for k := range t.looks {
		if s := t.looks[k].Answers[at].Object; s != nil {
			told++
			if s.Quality() != reading.Good {
				last = s
				bad++
			}
		}
	}
	if bad*2 <= told {
		return nil
	}
	return last
}

// says is what the object of a point said last, or nil.
func (t *trace) says(at int) (last *Says) {
	for k := range t.looks {
		if s := t.looks[k].Answers[at].Object; s != nil {
			last = s
		}
	}
	return last
}

// worthless says why a flagged value is none.
func worthless(s *Says) string {
	switch s.Quality() {
	case reading.OutOfService:
		return fmt.Sprintf("is out of service at the device: somebody has set it, and it reads %.6g whatever happens; put the object back into service", s.Value)
	case reading.Overridden:
		return fmt.Sprintf("is overridden at the device: a switch or a person holds it at %.6g, and it does not follow what it stands for; take the override away", s.Value)
	}
	why := "its status flags say fault"
	if s.Reliability != 0 {
		why = "its reliability is: " + s.Reliability.String()
	}
	return fmt.Sprintf("has a fault, as the device itself says (%s): look at its sensor, its wiring and its object", why)
}

// otherUnit holds the unit that the device states against the map's.
func (t *trace) otherUnit(at int) (found, bool) {
	p := t.points[at]
	s := t.says(at)
	if s == nil || UnitAgrees(p, s) {
		return found{}, false
	}
	stated := s.Unit
	if s.Dimension() != p.Encoding.Unit.Dimension {
		return fails("states %s, which is no unit of %s: this is another object, or the device states it wrongly (then add device_unit = %q to the point)",
			stated, p.Encoding.Unit.Dimension, stated), true
	}
	return fails("states %s, and the point map reads it as %s; write unit = %q and scale = 1, or where the device states it wrongly add device_unit = %q to the point",
		stated, in(p), stated, stated), true
}

// in writes the unit that a map reads a count in, as "Pa" or "10 Pa".
func in(p config.PlacedPoint) string {
	if p.Encoding.Scale == 1 {
		return p.Encoding.Unit.Name
	}
	return fmt.Sprintf("%.6g %s", p.Encoding.Scale, p.Encoding.Unit.Name)
}

// UnitAgrees reports whether the unit that an object states is the one that the map
// reads, or none of those that can be compared.
func UnitAgrees(p config.PlacedPoint, s *Says) bool { return !s.HasUnit || p.Agrees(s.Unit) }

// objectRefusal says what a refusal of a BACnet device comes from (clause 18, error
// class and code; the reasons of rejects and aborts are not told apart).
func objectRefusal(p config.PlacedPoint, f *reading.Failure) string {
	var remote *bacnet.RemoteError
	switch {
	case f.Outcome == reading.Timeout || f.Outcome == reading.UnitSilent:
		return fmt.Sprintf(": is %d the right device instance, and does a broadcast reach it? See with points --discover", p.Unit)
	case !errors.As(f.Err, &remote):
		return ""
	case *remote == bacnet.RemoteError{Class: 1, Code: 31}:
		return fmt.Sprintf(": device %d has no object %s; see what it has with points --discover", p.Unit, p.Object.Object)
	case *remote == bacnet.RemoteError{Class: 2, Code: 32}:
		return ": the object has no such property"
	}
	return ""
}
