package field

import (
	"fmt"
	"math"
	"slices"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/field/internal/network"
	"fanwarden/poller/field/internal/objects"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// spot is a point where it stands, with what the gateway last read of it while it
// does not read it now.
type spot struct {
	mapped
	held []uint16
}

// build makes the devices of the gateway's fans, with an object for every place
// of their points.
func (s *site) build() {
	byInstance := make(map[int]*stationed)
	at := func(instance int) *stationed {
		if byInstance[instance] == nil {
			device := &objects.Device{Instance: uint32(instance), Name: fmt.Sprintf("%s %d", s.gateway.ID, instance), Model: "stand-in"}
			byInstance[instance] = &stationed{Station: &network.Station{Device: device}}
			s.stations = append(s.stations, byInstance[instance])
		}
		return byInstance[instance]
	}
	for _, p := range s.gateway.Points {
		s.spots = append(s.spots, &spot{mapped: mapped{p, nil}})
	}
	for _, fan := range s.fans {
		home := at(fan.Unit)
		if home.fans = append(home.fans, fan); len(home.fans) == 1 {
			home.Device.Name, home.Device.Location = fan.Name, fan.Location
		}
		for _, p := range fan.Points {
			s.spots = append(s.spots, &spot{mapped: mapped{p, fan}})
		}
	}
	for _, each := range s.spots {
		device := at(each.Unit).Device
		if device.Object(each.Object.Object) == nil {
			device.Put(s.object(each.Unit, each.Object.Object))
		}
	}
}

// object is one object, with all the points that stand in its properties.
func (s *site) object(instance int, id bacnet.ObjectID) *objects.Object {
	o := &objects.Object{ID: id}
	var shown, commanded *spot
	for _, each := range s.spots {
		switch {
		case each.Unit != instance || each.Object.Object != id:
		case each.Point.Output():
			commanded = each
		case each.Object.Property == bacnet.PresentValue && !each.Object.Indexed:
			if shown == nil {
				shown = each
			}
		default:
			o.More = append(o.More, objects.More{Property: each.Object.Property, Indexed: each.Object.Indexed, Index: each.Object.Index,
				Show: func() objects.Shown { return objects.Shown{Value: bacnet.RealValue(float32(number(s.words(each))))} }})
		}
		if each.Unit == instance && each.Object.Object == id && o.Name == "" {
			o.Name, o.Description, o.States = nameOf(each), descriptionOf(each), statesOf(each)
		}
	}
	if shown == nil {
		shown = commanded
	}
	o.Show = func() objects.Shown { return s.shown(id, shown) }
	if commanded == nil && shown != nil && shown.Point == reading.Speed && id.Type == bacnet.AnalogOutput {
		commanded = shown // an output takes commands (clause 12.3), and this one drives the fan
	}
	if commanded != nil && commanded.fan != nil {
		o.Command = func(v bacnet.Value, on bool) { s.command(commanded, v, on) }
	}
	return o
}

func nameOf(each *spot) string {
	if each.fan == nil {
		return each.Point.String()
	}
	return fmt.Sprintf("%s %s", each.fan.ID, each.Point)
}

func descriptionOf(each *spot) string {
	if each.fan == nil {
		return "of the gateway"
	}
	return "of " + each.fan.Name
}

// statesOf names the states of a contact: of a multi-state object as many as the
// point map speaks of, and one more at which it is open.
func statesOf(each *spot) []string {
	switch {
	case each.Object.Object.Type.Binary():
		return []string{"off", "on"}
	case !each.Object.Object.Type.MultiState():
		return nil
	}
	texts := make([]string, slices.Max(append([]uint32{1}, each.States...))+1)
	for i := range texts {
		texts[i] = "off"
		if slices.Contains(each.States, uint32(i+1)) {
			texts[i] = "on"
		}
	}
	return texts
}

// shown is what an object shows now of the point that stands in its present
// value.
func (s *site) shown(id bacnet.ObjectID, each *spot) objects.Shown {
	if each == nil {
		return objects.Shown{Value: objects.Value(id.Type, 0), Units: bacnet.NoUnits}
	}
	words := s.words(each)
	shown := objects.Shown{Value: objects.Value(id.Type, number(words)), Units: unitsOf(each.PlacedPoint)}
	if id.Type.MultiState() && each.Encoding.Type.Words() == 1 {
		shown.Value = objects.Value(id.Type, float64(stateOf(each.States, words[0] != 0)))
	}
	if each.fan != nil {
		s.tell(each, &shown)
	}
	return shown
}

// tell adds what the troubles of a fan make of an object of its.
func (s *site) tell(each *spot, shown *objects.Shown) {
	u := s.server.field.units[each.fan.ID]
	switch u.says(each.Point) {
	case reading.Faulty:
		shown.Flags.Fault, shown.Reliability = true, unreliable
	case reading.OutOfService:
		shown.Flags.OutOfService = true
	case reading.Overridden:
		shown.Flags.Overridden = true
	case reading.OtherUnit:
		shown.Units = anotherUnit(shown.Units)
	}
	shown.Reversed = each.Point == reading.HighSpeed && u.troubles[polarityTurned].on
	if (each.Point == reading.Speed || each.Point == reading.ForceSpeed) && u.troubles[leftInHand].on {
		hand := bacnet.RealValue(float32(number(each.encode(u.controller.command))))
		shown.Hand = &hand
	}
}

// unreliable is the reliability of what has no better word (A10 of the check
// values: unreliable-other).
const unreliable = 7

// number is what the words of a point mean to its device.
func number(words []uint16) float64 {
	if len(words) == 1 {
		return float64(words[0])
	}
	return float64(math.Float32frombits(uint32(words[0])<<16 | uint32(words[1])))
}

// stateOf returns a state at which a contact is closed, or the first at which it
// is not.
func stateOf(closedAt []uint32, closed bool) uint32 {
	if closed && len(closedAt) > 0 {
		return closedAt[0]
	}
	open := uint32(1)
	for slices.Contains(closedAt, open) {
		open++
	}
	return open
}

// unitsOf is the unit that a device states: the one in which the point map has
// its numbers, or what the map says that it states.
func unitsOf(p config.PlacedPoint) bacnet.EngineeringUnits {
	if p.HasDeviceUnit {
		return p.DeviceUnit
	}
	factor := p.Encoding.Scale * p.Encoding.Unit.Factor
	for _, name := range append([]string{p.Encoding.Unit.Name}, units.Names(p.Encoding.Unit.Dimension)...) {
		u, known := units.Find(name)
		stated, has := bacnet.FindUnits(name)
		if known && has && math.Abs(u.Factor-factor) < 1e-6*factor {
			return stated
		}
	}
	return bacnet.NoUnits
}

// anotherUnit is a unit that a value is not in.
func anotherUnit(u bacnet.EngineeringUnits) bacnet.EngineeringUnits {
	const (
		pascals         = 53
		inchesOfWater   = 58
		cubicFeet       = 84 // a minute
		litres          = 87 // a second
		cubicMeters     = 85 // a second
		cubicMetersHour = 135
	)
	switch u {
	case pascals:
		return inchesOfWater
	case cubicMeters, cubicMetersHour, litres:
		return cubicFeet
	case cubicFeet:
		return litres
	}
	return pascals
}

// command takes what an output is commanded to, or that nothing commands it any
// more: then the fan is its controller's again.
func (s *site) command(each *spot, v bacnet.Value, on bool) {
	f, fan := s.server.field, each.fan.ID
	if !on {
		f.Write(fan, reading.ForceOn, 0)
		if each.Point != reading.ForceOn {
			f.Write(fan, reading.ForceSpeed, 0)
		}
		return
	}
	words, _ := v.Words()
	raw := words[:]
	if each.Encoding.Type.Words() == 1 {
		word, _ := v.Contact(each.States)
		raw = []uint16{word}
	}
	value, quality := each.Encoding.Decode(raw)
	if quality != reading.Good {
		return
	}
	if each.Point == reading.ForceOn {
		f.Write(fan, reading.ForceOn, value)
		return
	}
	f.Write(fan, reading.ForceSpeed, value)
	if _, apart := each.fan.Placed(reading.ForceOn); !apart {
		f.Write(fan, reading.ForceOn, 1)
	}
}

// words returns what a point has now: fresh ones; those that are held where the
// gateway repeats; zeros where it fills with them what it has lost.
func (s *site) words(each *spot) []uint16 {
	now := s.troubles()
	switch {
	case s.misses(now, each.mapped) && s.zeroFills(now, each.fan):
		return make([]uint16, each.Words())
	case each.held != nil:
		return each.held
	}
	return each.encode(s.value(now, each.mapped))
}

// hold keeps what every point has while the gateway repeats what it last read.
func (s *site) hold(now troubles) {
	for _, each := range s.spots {
		switch {
		case !now.repeats:
			each.held = nil
		case each.held == nil:
			each.held = each.encode(s.value(now, each.mapped))
		}
	}
}
