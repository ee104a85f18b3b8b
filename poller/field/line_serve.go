package field

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
