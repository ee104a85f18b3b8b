package field

import (
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
)

// ofFans is how many of the kinds are a fan's.
const ofFans = 35

// Kinds returns every kind of trouble, those of fans first.
func Kinds() []Kind {
	all := make([]Kind, len(catalogue))
	for i := range catalogue {
		all[i] = catalogue[i].Kind
	}
	return all
}

// OfFan reports whether a kind of trouble is a fan's rather than a gateway's.
func (k Kind) OfFan() bool {
	i, known := k.index()
	return known && i < ofFans
}

// Only returns the protocol whose gateways alone can have a kind of trouble, they
// or their fans: config.Modbus or config.BACnet; "" is all.
func (k Kind) Only() string {
	switch k {
	case ObjectFault, OutOfService, Overridden, WrongUnit, PolarityTurned, RefusesMultiple, SmallAPDU, RefusesSubscriptions,
		Moved, LosesDatagrams, AnswersTwice:
		return config.BACnet
	case ResetsConnections, LimitsConnections: // over UDP there are none
		return config.Modbus
	}
	return ""
}

// spoken says what is wrong with a kind for a gateway, if it speaks the other
// protocol.
func (k Kind) spoken(g *config.Gateway) error {
	if only := k.Only(); only != "" && only != g.Protocol() {
		return fmt.Errorf("gateway %q speaks %s, and %s is a trouble of %s", g.ID, g.Protocol(), k, only)
	}
	return nil
}

func (k Kind) index() (int, bool) {
	for i := range catalogue {
		if catalogue[i].Kind == k {
			return i, true
		}
	}
	return 0, false
}

// trouble is a fault that is on.
type trouble struct {
	on    bool
	size  float64 // 0: the kind's own
	since time.Time
}

// or returns the size, or another where none was given.
func (t *trouble) or(size float64) float64 {
	if t.size != 0 {
		return t.size
	}
	return size
}

// Put puts a fault on the field, also while it runs. The error names a fan, a
// gateway or a kind that is not known, a size beyond its range, or says why the
// fan cannot have it; then nothing is changed.
func (f *Field) Put(fault Fault) error {
	if err := f.allows(fault); err != nil {
		return err
	}
	f.faults = append(f.faults, fault)
	f.refresh()
	return nil
}

func (f *Field) allows(fault Fault) error {
	i, known := fault.Kind.index()
	if !known {
		return fmt.Errorf("%q is not a kind of trouble; the kinds are %v", fault.Kind, Kinds())
	}
	if err := catalogue[i].takes(fault.Size); err != nil {
		return err
	}
	if !fault.Until.IsZero() && !fault.Until.After(fault.From) {
		return fmt.Errorf("%s is over before it begins", fault.Kind)
	}
	if !fault.Kind.OfFan() {
		if fault.Fan != "" {
			return fmt.Errorf("%s is a gateway's trouble: name a gateway, and no fan", fault.Kind)
		}
		for _, g := range f.fleet.Gateways {
			if g.ID == fault.Gateway {
				return fault.Kind.spoken(g)
			}
		}
		return fmt.Errorf("the fleet has no gateway %q", fault.Gateway)
	}
	if fault.Gateway != "" {
		return fmt.Errorf("%s is a fan's trouble: name a fan, and no gateway", fault.Kind)
	}
	u := f.units[fault.Fan]
	if u == nil {
		return fmt.Errorf("the fleet has no fan %q", fault.Fan)
	}
	if err := fault.Kind.spoken(u.cfg.Gateway); err != nil {
		return err
	}
	switch fault.Kind {
	case DeafWhenIdle, RestartOutOfReach, ShortCycling:
		if !u.controller.goesIdle {
			return fmt.Errorf("fan %q never goes idle, so it cannot be %s", fault.Fan, fault.Kind)
		}
	}
	return nil
}

// Clear ends all faults of the same fan or gateway and kind.
func (f *Field) Clear(fault Fault) {
	kept := f.faults[:0]
	for _, other := range f.faults {
		if other.Fan != fault.Fan || other.Gateway != fault.Gateway || other.Kind != fault.Kind {
			kept = append(kept, other)
		}
	}
	f.faults = kept
	f.refresh()
}

// Faults returns the faults that were put on the field and not cleared, also
// those that are not on yet or no more.
func (f *Field) Faults() []Fault { return append([]Fault(nil), f.faults...) }

// On returns the fault of that kind that a fan or a gateway has now, if any.
// Name one of the two and leave the other empty.
func (f *Field) On(fan reading.FanID, gateway reading.GatewayID, kind Kind) (Fault, bool) {
	for _, fault := range f.faults {
		if fault.Kind == kind && fault.Fan == fan && fault.Gateway == gateway && fault.At(f.now) {
			return fault, true
		}
	}
	return Fault{}, false
}

// refresh finds which faults are on now and when that changes next, and tells
// who watches.
func (f *Field) refresh() {
	f.changes = time.Time{}
	for _, u := range f.all {
		u.troubles = [ofFans]trouble{}
	}
	for _, fault := range f.faults {
		for _, at := range [...]time.Time{fault.From, fault.Until} {
			if at.After(f.now) && (f.changes.IsZero() || at.Before(f.changes)) {
				f.changes = at
			}
		}
		if fault.Fan == "" || !fault.At(f.now) {
			continue
		}
		since := fault.From
		if since.Before(f.start) {
			since = f.start
		}
		i, _ := fault.Kind.index()
		f.units[fault.Fan].troubles[i] = trouble{on: true, size: fault.Size, since: since}
	}
	for _, tell := range f.watch {
		tell()
	}
}
