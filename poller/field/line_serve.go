package field

import (
	"math"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// serve answers for a unit that hears. The server's lock is held.
func (l *line) serve(now troubles, r request) []byte {
	function := r.pdu[0]
	s, refused := parse(r.pdu)
	if refused != accepted {
		return refuse(function, refused)
	}
	at := place{r.unit, s.table}
	if s.words != nil {
		return l.write(at, s, r.pdu)
	}
	words := make([]uint16, s.count)
	show := func(m mapped) []uint16 { return l.show(now, at, m) }
	if refused := l.banks[at].read(s, words, show); refused != accepted {
		return refuse(function, refused)
	}
	return answerRead(function, s, words)
}

// write answers a write: with its own first five bytes where it was obeyed.
func (l *line) write(at place, s span, pdu []byte) []byte {
	bank := l.banks[at]
	if refused := bank.write(s); refused != accepted {
		return refuse(pdu[0], refused)
	}
	for _, m := range bank.outputs {
		if value, good := bank.wrote(m, s); good && m.fan != nil {
			l.server.field.Write(m.fan.ID, m.Point, value)
		}
	}
	return pdu[:5]
}

// show returns the words that a point has now: fresh ones; those that are held
// where the gateway repeats; zeros where it fills with them what it has lost.
func (l *line) show(now troubles, at place, m mapped) []uint16 {
	if l.misses(now, m) && l.zeroFills(now, m.fan) {
		return make([]uint16, m.Words())
	}
	if held := l.held[m.cell(at)]; held != nil {
		return held
	}
	return m.encode(l.value(now, m))
}

// misses reports whether a point is of a fan that the gateway does not hear.
// How long it has not heard it the gateway knows by itself.
func (l *line) misses(now troubles, m mapped) bool {
	return m.fan != nil && m.Point != reading.HeardAgo && l.lost(now, m.fan)
}

// hold keeps what every point has as the gateway ceases to read it, and lets it
// go when the gateway reads it again, whatever the gateway is asked meanwhile.
// It is called whenever a fault comes or goes, with the server's lock held.
func (l *line) hold() {
	now := l.troubles()
	if !now.repeats && now.trunk == nil && now.zeros == nil && !l.anySilent() {
		clear(l.held)
		return
	}
	for at, b := range l.banks {
		for _, m := range b.points {
			here := m.cell(at)
			switch held := l.held[here] != nil; {
			case !now.repeats && !l.misses(now, m):
				delete(l.held, here)
			case !held:
				l.held[here] = m.encode(l.value(now, m))
			}
		}
	}
}

// value returns what a point means now, in base units; NaN is no value.
func (l *line) value(now troubles, m mapped) float64 {
	switch m.Point {
	case reading.HeardAgo:
		return l.heardAgo(now, m.fan).Seconds()
	case reading.Heartbeat:
		return float64(l.server.field.Now().Unix() % 30000) // fits every type
	}
	asked := m.fan
	if asked == nil {
		if len(l.fans) == 0 {
			return math.NaN()
		}
		asked = l.fans[0] // one weather for all
	}
	value, ok := l.server.field.Value(asked.ID, m.Point)
	if !ok {
		return math.NaN()
	}
	return value
}

// heardAgo returns how long the gateway has not heard a fan's unit, or, with
// nil, any unit.
func (l *line) heardAgo(now troubles, fan *config.Fan) time.Duration {
	if fan == nil {
		if len(l.fans) == 0 {
			return 0
		}
		least := l.heardAgo(now, l.fans[0])
		for _, other := range l.fans[1:] {
			least = min(least, l.heardAgo(now, other))
		}
		return least
	}
	since, lost := l.lostSince(now, fan)
	if !lost {
		return 0
	}
	return l.server.field.Now().Sub(since)
}
