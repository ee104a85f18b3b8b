package web

import (
	"strconv"
)

// A mark that only moves is told where it went at least so far, and at most
// every so often, so that a large fleet stays cheap to watch.
const (
	leastRight  = 2 // 1 % of full speed
	leastUp     = 3 // 3 % of setpoint
	moveSeconds = 5
)

// marksTopic tells where each fan is on the plane.
type marksTopic struct {
	layout *layout
	told   []dot
	moved  []int64 // when a fan was last told to have moved, in seconds
}

func (t *marksTopic) next(p *picture) message {
	if t.layout != p.layout {
		return t.whole(p)
	}
	text := []byte(`{"marks":[`)
	empty, now := len(text), p.now.Unix()
	for i := range p.fans {
		before, d := t.told[i], p.fans[i].dot
		if before == d || before.near(d) || before.alike(d) && now-t.moved[i] < moveSeconds {
			continue
		}
		if len(text) > empty {
			text = append(text, ',')
		}
		text = d.append(text, i)
		t.told[i], t.moved[i] = d, now
	}
	if len(text) == empty {
		return message{}
	}
	return message{"marks", append(text, "]}"...)}
}

// whole tells every fan and its mark.
func (t *marksTopic) whole(p *picture) message {
	t.layout, t.told, t.moved = p.layout, make([]dot, len(p.fans)), make([]int64, len(p.fans))
	text := append([]byte(`{"full":true,"fans":`), p.layout.fansOnPlane()...)
	text = append(text, `,"marks":[`...)
	for i := range p.fans {
		if i > 0 {
			text = append(text, ',')
		}
		t.told[i] = p.fans[i].dot
		text = t.told[i].append(text, i)
	}
	return message{"marks", append(text, "]}"...)}
}

// fansOnPlane lists what the plane must know of the fans, once for all streams.
func (l *layout) fansOnPlane() []byte {
	l.listed.Do(func() {
		all := make([][4]any, len(l.fleet.Fans))
		for i, f := range l.fleet.Fans {
			all[i] = [4]any{f.ID, f.Name, l.building[i], f.Duty}
		}
		l.list = encoded(all)
	})
	return l.list
}

// alike reports whether two marks differ by their place at most.
func (d dot) alike(other dot) bool {
	d.x, d.y = other.x, other.y
	return d == other && (d.x == nowhere) == (other.x == nowhere) && (d.y == nowhere) == (other.y == nowhere)
}

// near reports whether two marks look the same.
func (d dot) near(other dot) bool {
	right, up := int(d.x)-int(other.x), int(d.y)-int(other.y)
	return d.alike(other) && max(right, -right) < leastRight && max(up, -up) < leastUp
}

// append writes the mark of the fan at a place as [place, x, y, rank, mode,
// [conditions]].
func (d dot) append(text []byte, place int) []byte {
	text = strconv.AppendInt(append(text, '['), int64(place), 10)
	for _, v := range [...]int16{d.x, d.y, int16(d.rank), int16(d.mode)} {
		text = append(text, ',')
		if v == nowhere {
			text = append(text, "null"...)
		} else {
			text = strconv.AppendInt(text, int64(v), 10)
		}
	}
	text = append(text, ",["...)
	first := true
	for i := range int64(32) {
		if d.conditions&(1<<i) == 0 {
			continue
		}
		if !first {
			text = append(text, ',')
		}
		text, first = strconv.AppendInt(text, i, 10), false
	}
	return append(text, "]]"...)
}
