package field

import (
	"encoding/binary"
	"time"

	"fanwarden/config"
)

// troubles are the faults of a gateway that are on now.
type troubles struct {
	trunk   *Fault
	zeros   *Fault
	repeats bool
}

// troubles reads the gateway's faults off the field. The server's lock is held.
func (l *line) troubles() troubles {
	return troubles{trunk: l.on(TrunkCut), zeros: l.on(ZeroFills), repeats: l.on(RepeatsOld) != nil}
}

// lateness is how much later than it could a slow line answers now; 0 where it
// is not slow.
func (l *line) lateness() time.Duration {
	l.server.mu.Lock()
	defer l.server.mu.Unlock()
	switch slow := l.on(SlowLine); {
	case slow == nil:
		return 0
	case slow.Size == 0:
		return l.gateway.Timeout / 2
	default:
		return time.Duration(slow.Size * float64(time.Second))
	}
}

// on returns a fault of the gateway that is on now, or nil.
func (l *line) on(kind Kind) *Fault {
	if fault, on := l.server.field.On("", l.gateway.ID, kind); on {
		return &fault
	}
	return nil
}

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

// zeroFills reports whether the gateway shows zeros where it has lost a fan.
func (l *line) zeroFills(now troubles, fan *config.Fan) bool {
	return now.zeros != nil || fan.PointMap.AbsentIfAllZero
}

func (l *line) lost(now troubles, fan *config.Fan) bool {
	_, lost := l.lostSince(now, fan)
	return lost
}

// lostSince reports whether the gateway does not hear a fan's unit, and since
// when. A gateway that fills with zeros while it hears all its units has lost
// them all.
func (l *line) lostSince(now troubles, fan *config.Fan) (time.Time, bool) {
	if now.trunk != nil {
		return l.server.began(*now.trunk), true
	}
	if fault, on := l.server.field.On(fan.ID, "", SilentUnit); on {
		return l.server.began(fault), true
	}
	if now.zeros != nil && !l.anySilent() {
		return l.server.began(*now.zeros), true
	}
	return time.Time{}, false
}

func (l *line) anySilent() bool {
	for _, fan := range l.fans {
		if _, on := l.server.field.On(fan.ID, "", SilentUnit); on {
			return true
		}
	}
	return false
}

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
