package config

import (
	"fmt"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// placeFan puts the points of the fan's map at their places on the wire, and
// holds the map against what the fan is to do.
func (a *assembly) placeFan(t *table, f *Fan) {
	if f.PointMap == nil {
		return
	}
	notes := a.notes(f.PointMap)
	if f.Slot > 0 && notes.whole && !strides(f.PointMap) {
		t.fault("slot", fmt.Sprintf("point map %q has no stride, so every slot is the first", f.PointMap.Name),
			"give the map the stride from one fan's block to the next, or use base")
	}
	for _, m := range f.PointMap.Points {
		placed, ok := placePoint(t, f, m)
		if ok {
			f.Points = append(f.Points, placed)
		}
	}
	if notes.whole {
		t.fits(f)
	}
	a.clashes(t, f, notes)
}

func strides(m *PointMap) bool {
	for _, p := range m.Points {
		if p.Stride > 0 && !p.Shared {
			return true
		}
	}
	return false
}

// placePoint places one point.
func placePoint(t *table, f *Fan, m MappedPoint) (PlacedPoint, bool) {
	p := m.place()
	p.Unit = f.Unit
	if m.Device != 0 {
		p.Unit = m.Device
		if f.Gateway != nil && m.Device > 247 && (f.Gateway.Scheme == "rtu" || f.Gateway.Scheme == "rtuovertcp") {
			t.fault("pointmap", fmt.Sprintf("point %s is in device %d, and a serial line has the units 1 to 247", m.Point, m.Device),
				"correct the point's device, or use another map")
		}
	}
	if !t.move(&p, m.shift(f)) {
		return p, false
	}
	if p.Encoding.Unit.Dimension == units.Rotation && m.Point.Dimension() == units.Ratio {
		if f.RatedRPM == 0 {
			if !t.has("rated_rpm") {
				t.fault("", fmt.Sprintf("point map %q gives %s in rpm, and the fan's rated_rpm is missing", f.PointMap.Name, m.Point),
					`write the rpm of full speed, as in rated_rpm = "1750 rpm"`)
			}
			return p, false
		}
		p.Encoding.Unit = units.Unit{Name: "rpm", Dimension: units.Ratio, Factor: 1 / f.RatedRPM}
	}
	return p, true
}

// place returns the point where its map has it, of no unit yet.
func (m MappedPoint) place() PlacedPoint {
	return PlacedPoint{Point: m.Point, Table: m.Table, Address: m.Address, Encoding: m.Encoding, Object: m.Object,
		States: m.States, DeviceUnit: m.DeviceUnit, HasDeviceUnit: m.HasDeviceUnit, Priority: m.Priority}
}

// move adds to a point's address or instance, and reports one that does not
// exist.
func (t *table) move(p *PlacedPoint, by int) bool {
	if p.BACnet() {
		instance := int(p.Object.Object.Instance) + by
		if instance < 0 || instance > maxInstance {
			t.fault(either(t, "base", "slot"), fmt.Sprintf("point %s falls on instance %d, outside 0 to %d", p.Point, instance, maxInstance),
				"correct base or slot")
			return false
		}
		p.Object.Object.Instance = uint32(instance)
		return true
	}
	p.Address += by
	if p.Address >= 0 && p.Address+p.Words()-1 <= maxAddress {
		return true
	}
	if by != 0 { // else it is reported once, at the map
		t.fault(either(t, "base", "slot"), fmt.Sprintf("point %s falls on address %d, outside 0 to %d", p.Point, p.Address, maxAddress),
			"correct base or slot")
	}
	return false
}

// shift is what a fan adds to the address or instance of a point.
func (m MappedPoint) shift(f *Fan) int {
	if m.Shared {
		return 0
	}
	return f.Base + f.Slot*m.Stride
}

// fits holds the map against the fan: what it controls must be there, and its
// setpoint must be of the same kind.
func (t *table) fits(f *Fan) {
	m := f.PointMap
	flow := m.find(reading.Airflow) != nil || m.find(reading.VelocityPressure) != nil
	pressure := m.find(reading.Pressure) != nil
	switch {
	case !flow && !pressure: // reported once, at the map
	case f.ControlsAirflow && !flow:
		t.fault("controls", fmt.Sprintf("the fan controls airflow, and point map %q has neither airflow nor velocity_pressure", m.Name),
			"map one of them, or correct controls")
	case !f.ControlsAirflow && !pressure:
		t.fault(either(t, "controls", "pointmap"), fmt.Sprintf("the fan controls pressure, and point map %q has no pressure", m.Name),
			`map it, or write controls = "airflow"`)
	case f.ControlsAirflow && m.find(reading.Airflow) == nil && !t.has("probe_area"):
		t.fault("", "the airflow follows from a velocity pressure, and the fan's probe_area is missing",
			`write the area of the duct at the probe, as in probe_area = "0.12 m2"`)
	}
	setpoint := m.find(reading.Setpoint)
	if setpoint == nil {
		t.require("setpoint", fmt.Sprintf("write what it is to hold; point map %q has no setpoint to read", m.Name))
		return
	}
	wanted := units.Pressure
	if f.ControlsAirflow {
		wanted = units.Flow
	}
	if got := setpoint.Encoding.Unit; got.Dimension != wanted {
		t.fault("pointmap", fmt.Sprintf("the fan controls %s, and point map %q gives the setpoint in %s", wanted, m.Name, got.Name),
			"correct the unit of the map's setpoint, or the fan's controls")
	}
}

// clashes reports points of one fan that fall on each other only where it is
// placed: a shared point, or one of another device.
func (a *assembly) clashes(t *table, f *Fan, notes *mapNotes) {
	points := f.PointMap.Points
	for i := range points {
		for j := range points[:i] {
			m, n := points[j], points[i]
			pair := [2]reading.Point{m.Point, n.Point}
			if notes.clashes[pair] || f.unitOf(m) != f.unitOf(n) || !meet(m, n, m.shift(f), n.shift(f)) {
				continue
			}
			where := fmt.Sprintf("address %d", n.Address+n.shift(f))
			if placed, ok := f.Placed(n.Point); ok && placed.BACnet() {
				where = "object " + placed.Object.String()
			}
			t.fault("", fmt.Sprintf("points %s and %s fall on the same %s", m.Point, n.Point, where),
				"correct base, slot or the point map")
		}
	}
}

func (f *Fan) unitOf(m MappedPoint) int {
	if m.Device != 0 {
		return m.Device
	}
	return f.Unit
}

// checkMaps reports maps that lack what every fan must have.
func (a *assembly) checkMaps() {
	for _, n := range a.maps {
		if !n.whole || n.ofGateway {
			continue
		}
		m := n.PointMap
		if m.find(reading.Speed) == nil {
			n.table.fault("", "it has no speed, and nothing can be judged without", fmt.Sprintf("map [pointmaps.%s.points.speed]", m.Name))
		}
		if m.find(reading.Pressure) == nil && m.find(reading.Airflow) == nil && m.find(reading.VelocityPressure) == nil {
			n.table.fault("", "it has none of pressure, airflow and velocity_pressure, and nothing can be judged without",
				fmt.Sprintf("map [pointmaps.%s.points.pressure]", m.Name))
		}
	}
}

// word is one address, or one property, on the wire.
type word struct {
	gateway       *Gateway
	unit, address int
	table         decode.Table
	object        bacnet.Reference
}

type readBy struct {
	fan   *Fan
	point reading.Point
}

// checkFans reports fans whose own controlled value or speed lies on the
// registers or objects of another's. Points that are shared, or of another device, may be
// read by many.
func (a *assembly) checkFans() {
	readers := make(map[word]readBy)
	for _, f := range a.fleet.Fans {
		if f.Gateway == nil || f.PointMap == nil || a.unsure[f] {
			continue
		}
		a.ownWords(f, readers)
	}
}

func (a *assembly) ownWords(f *Fan, readers map[word]readBy) {
	for _, m := range f.PointMap.Points {
		required := m.Point == reading.Speed || m.Point == f.Controlled() || m.Point == reading.VelocityPressure
		if !required || m.Shared || m.Device != 0 {
			continue
		}
		placed, ok := f.Placed(m.Point)
		if !ok {
			continue
		}
		count, what := placed.Words(), "registers"
		if placed.BACnet() {
			count, what = 1, "objects"
		}
		for i := range count {
			at := word{f.Gateway, f.Unit, placed.Address + i, placed.Table, placed.Object}
			first, taken := readers[at]
			if !taken {
				readers[at] = readBy{f, m.Point}
				continue
			}
			if first.fan != f {
				a.add(f.origin.file, f.origin.line, fmt.Sprintf("fan %q: its %s lies on the %s of fan %q's %s (line %d): two fans read the same %s",
					f.ID, m.Point, what, first.fan.ID, first.point, first.fan.origin.line, what), "correct unit, base or slot of one of the two")
				return
			}
		}
	}
}
