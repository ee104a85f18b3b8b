package config

import (
	"fmt"
	"slices"
	"sort"

	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// mapNotes is what the checks need to know of a point map beside itself.
type mapNotes struct {
	PointMap  *PointMap
	table     *table
	lines     map[reading.Point]int
	ofGateway bool
	whole     bool // every point of it was read, so what is missing is missing
	clashes   map[[2]reading.Point]bool
}

func (a *assembly) notes(m *PointMap) *mapNotes {
	for _, n := range a.maps {
		if n.PointMap == m {
			return n
		}
	}
	return nil
}

func (a *assembly) pointMap(name string, t *table) {
	t.as("[pointmaps.X]", fmt.Sprintf("point map %q", name))
	m := &PointMap{Name: name}
	notes := &mapNotes{PointMap: m, table: t, lines: make(map[reading.Point]int), whole: true,
		clashes: make(map[[2]reading.Point]bool)}
	a.maps = append(a.maps, notes)
	a.fleet.PointMaps = append(a.fleet.PointMaps, m)
	a.pointMaps[name] = named[*PointMap]{m, t.file, t.line}
	m.Protocol = t.choice("protocol", Modbus, Modbus, BACnet)
	m.Stride = t.integer("stride", 0, 0, m.last())
	m.AbsentIfAllZero = t.choice("absent_when", "", "", "all_zero") == "all_zero"
	if m.AbsentIfAllZero && m.Protocol == BACnet {
		t.fault("absent_when", "absent_when is for Modbus point maps: a BACnet device that is lost does not answer", "remove it")
	}
	t.require("points", fmt.Sprintf("give it a [pointmaps.%s.points.pressure] table and one for each other point", name))
	if points := t.sub("points"); points != nil {
		a.points(notes, points.as("[pointmaps.X.points]", t.name))
	} else {
		notes.whole = false
	}
	t.finish()
	notes.clash(t.reader)
}

func (a *assembly) points(notes *mapNotes, t *table) {
	m := notes.PointMap
	names, tables := t.named()
	for i, below := range tables {
		p, known := reading.FindPoint(names[i])
		if !known {
			t.fault(names[i], fmt.Sprintf("%q is not a point", names[i]), Meant(names[i], pointNames()))
			below.entries, notes.whole = nil, false
			continue
		}
		below.as("[pointmaps.X.points.Y]", fmt.Sprintf("point %s of map %q", p, m.Name))
		notes.lines[p] = below.line
		read := below.point
		if m.Protocol == BACnet {
			read = below.objectPoint
		}
		if mapped, ok := read(p, m.Stride); ok {
			m.Points = append(m.Points, mapped)
		} else {
			notes.whole = false
		}
	}
	sort.Slice(m.Points, func(i, j int) bool { return m.Points[i].Point < m.Points[j].Point })
	for _, below := range tables {
		below.finish()
	}
}

func pointNames() []string {
	names := make([]string, reading.Points)
	for p := range names {
		names[p] = reading.Point(p).String()
	}
	return names
}

// find returns the map's point, or nil.
func (m *PointMap) find(p reading.Point) *MappedPoint {
	for i := range m.Points {
		if m.Points[i].Point == p {
			return &m.Points[i]
		}
	}
	return nil
}

// clash reports points of the map that lie on each other wherever the map is
// placed.
func (n *mapNotes) clash(r *reader) {
	points := n.PointMap.Points
	for i := range points {
		if last := points[i].Address + words(points[i]) - 1; n.PointMap.Protocol == Modbus && last > maxAddress {
			n.table.reader.add(n.table.file, n.lines[points[i].Point],
				fmt.Sprintf("point %s of map %q ends beyond address %d", points[i].Point, n.PointMap.Name, maxAddress),
				"correct the address or the type")
		}
		for j := range points[:i] {
			a, b := points[j], points[i]
			if a.Shared != b.Shared || a.Device != b.Device || !meet(a, b, 0, 0) {
				continue
			}
			if n.lines[a.Point] > n.lines[b.Point] {
				a, b = b, a
			}
			n.clashes[[2]reading.Point{points[j].Point, points[i].Point}] = true
			r.add(n.table.file, n.lines[b.Point],
				fmt.Sprintf("point %s of map %q %s point %s (line %d)", b.Point, n.PointMap.Name, n.overlap(a, b), a.Point, n.lines[a.Point]),
				n.apart())
		}
	}
}

const maxAddress = 65535

// last is the highest place of a point in the map.
func (m *PointMap) last() int {
	if m.Protocol == BACnet {
		return maxInstance
	}
	return maxAddress
}

func words(p MappedPoint) int { return PlacedPoint{Table: p.Table, Encoding: p.Encoding}.Words() }

// meet reports whether two points, each moved so far from where its map has it,
// share a word and a bit of it, or a property. What is written and what is read
// may lie on one address, and a multi-state object holds many contacts.
func meet(a, b MappedPoint, moveA, moveB int) bool {
	if a.Point.Output() != b.Point.Output() {
		return false
	}
	if a.Object != (bacnet.Reference{}) {
		a.Object.Object.Instance += uint32(moveA) //nolint:gosec // both are moved in the same ring
		b.Object.Object.Instance += uint32(moveB) //nolint:gosec
		return a.Object == b.Object && (a.States == nil || b.States == nil || slices.Equal(a.States, b.States))
	}
	addressA, addressB := a.Address+moveA, b.Address+moveB
	if a.Table != b.Table || addressA+words(a) <= addressB || addressB+words(b) <= addressA {
		return false
	}
	bitA, bitB := a.Encoding.Bit, b.Encoding.Bit
	return a.Table.Bits() || bitA == decode.NoBit || bitB == decode.NoBit || bitA == bitB
}

func (n *mapNotes) overlap(a, b MappedPoint) string {
	if n.PointMap.Protocol == BACnet {
		return "has the same object as"
	}
	if a.Address == b.Address && words(a) == words(b) {
		return "has the same address as"
	}
	return "overlaps"
}

// apart is how two points that lie on each other are parted.
func (n *mapNotes) apart() string {
	if n.PointMap.Protocol == BACnet {
		return "correct the object or the property of one of the two"
	}
	return "correct the address, the type or the bit of one of the two"
}
