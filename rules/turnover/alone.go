package turnover

import (
	"fmt"

	"fanwarden/config"
	"fanwarden/poller/decode"
)

// Alone reports why forcing a fan would write to another one too; nil if it would
// not. An output that fans share (shared = true), or one that a wrong slot lays on a
// point of another fan, is not this fan's to write.
func Alone(fleet *config.Fleet, f *config.Fan) error {
	for _, other := range fleet.Fans {
		if other == f || other.Gateway != f.Gateway {
			continue
		}
		for _, p := range outputs(f) {
			for _, q := range other.Points {
				if samePlace(&p, &q) {
					return fmt.Errorf("its %s (%s of unit %d) is the %s of %s as well, which is not to be written to", p.Point, p.Where(), p.Unit, q.Point, other.ID)
				}
			}
		}
	}
	return nil
}

// samePlace reports whether two points lie on one another: the same object, or the
// same registers, but for other bits of one word.
func samePlace(p, q *config.PlacedPoint) bool {
	switch {
	case p.Unit != q.Unit || p.BACnet() != q.BACnet():
		return false
	case p.BACnet():
		return p.Object == q.Object
	case p.Table != q.Table || p.Address >= q.Address+q.Words() || q.Address >= p.Address+p.Words():
		return false
	}
	bits := p.Encoding.Bit != decode.NoBit && q.Encoding.Bit != decode.NoBit && !p.Table.Bits()
	return !bits || p.Encoding.Bit == q.Encoding.Bit
}
