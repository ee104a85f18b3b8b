package field

import (
	"encoding/binary"
	"time"
)

// silent reports whether nobody answers as a unit. Where the gateway keeps all
// its fans in one table it always answers itself, whatever it has lost.
func (l *line) silent(now troubles, unit uint8) bool {
	own := len(l.gateway.Points) > 0 && int(unit) == l.gateway.Unit
	fans := l.units[unit]
	if own || l.keepsTable() && len(fans) > 0 {
		return false
	}
	for _, fan := range fans {
		if l.lost(now, fan) && !l.zeroFills(now, fan) {
			return true
		}
	}
	return len(fans) == 0
}

// keepsTable reports whether the gateway lays all its fans out in one table of
// its own, which it fills by asking them.
func (l *line) keepsTable() bool { return len(l.units) == 1 && len(l.fans) > 1 }

// delivery is an answer on its way back over the network.
type delivery struct {
	frame []byte
	after time.Duration // how much later it leaves
	cut   bool          // the connection breaks in the middle of it
}

// How often the network side goes wrong.
const (
	lateShare    = 0.2
	garbageShare = 0.2
	resetShare   = 0.1
)

// deliver wraps an answer and lets the gateway's faults have their way with it.
func (l *line) deliver(r request, pdu []byte) delivery {
	l.server.mu.Lock()
	defer l.server.mu.Unlock()
	how := framings[l.gateway.Scheme]
	d := delivery{frame: how.wrap(r, pdu)}
	if l.on(AnswersLate) != nil && l.random.Float64() < lateShare {
		d.after = time.Duration((1.1 + 1.4*l.random.Float64()) * float64(l.gateway.Timeout))
	}
	if l.on(SendsGarbage) != nil && l.random.Float64() < garbageShare {
		l.garble(d.frame, how)
	}
	d.cut = l.on(ResetsConnections) != nil && l.random.Float64() < resetShare
	return d
}

// garble makes an answer senseless: another protocol or a wrong checksum,
// another function, or bytes by chance.
func (l *line) garble(frame []byte, how framing) {
	switch l.random.IntN(3) {
	case 0:
		if how.serial() {
			frame[len(frame)-1] ^= 0xFF
		} else {
			binary.BigEndian.PutUint16(frame[2:], 0x4D42)
		}
	case 1:
		at := header
		if how.serial() {
			at = 1
		}
		frame[at] ^= 0x40
	default:
		for i := range frame {
			frame[i] = uint8(l.random.Uint32())
		}
	}
}
