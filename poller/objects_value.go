package poller

import (
	"errors"
	"math"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

// wrongUnit is a point whose device states another unit than the map, as the log
// has it.
type wrongUnit struct {
	fan    int
	point  reading.Point
	stated bacnet.EngineeringUnits
}

// get returns what was said of a property, or nil.
func (a *answer) get(p bacnet.Reference) *bacnet.Result {
	if i, asked := a.list.at[p]; asked && i < len(a.results) {
		return &a.results[i]
	}
	return nil
}

// value returns the one value of a property, if the device gave one.
func (a *answer) value(object bacnet.ObjectID, property bacnet.PropertyID) (v bacnet.Value, ok bool) {
	r := a.get(bacnet.Reference{Object: object, Property: property})
	if r == nil || r.Err != nil || len(r.Values) != 1 {
		return v, false
	}
	return r.Values[0], true
}

// worth is what the device says that a point's value is worth. Where that was lost on
// the way it counts as it was, if it was said lately; else it is not known.
func (d *device) worth(a *answer, p *config.PlacedPoint) (q reading.Quality, known bool) {
	object := p.Object.Object
	switch {
	case !p.Present():
		return reading.Good, true
	case a.halfSaid(object):
		last, said := d.worths[object]
		return last.Quality, said && a.at.Sub(last.at) <= askWatched
	}
	q = a.worth(p)
	if a.get(p.Object) != nil {
		d.worths[object] = worth{q, a.at}
	}
	return q, true
}

// halfSaid reports whether the device stopped answering before it had said all that
// it was asked of an object: flags or a unit that were lost may say that the value
// is worth nothing.
func (a *answer) halfSaid(object bacnet.ObjectID) bool {
	if len(a.results) == len(a.list.all) {
		return false
	}
	for _, p := range []bacnet.PropertyID{bacnet.StatusFlagsOf, bacnet.ReliabilityOf, bacnet.UnitsOf} {
		if i, asked := a.list.at[bacnet.Reference{Object: object, Property: p}]; asked && i >= len(a.results) {
			return true
		}
	}
	return false
}

// hear puts what a device said into the readings.
func (t *talker) hear(d *device, a *answer) {
	d.learn(a)
	if !t.begun {
		return
	}
	for i := range d.points {
		p := &d.points[i]
		said := a.get(p.Object)
		worth, known := d.worth(a, p.PlacedPoint)
		if !known {
			said = nil
		}
		if kept := d.watches.last(p.Object.Object); kept != nil && said == nil {
			said, worth = &kept.value, kept.worth()
		}
		switch {
		case said == nil:
			t.failSlot(&p.slot, bacnet.Failure(orTimeout(a.err)).Outcome, false)
		case said.Err != nil:
			t.refused(p, said.Err, a.at)
		default:
			t.note(d, p, said.Values, worth, a.at)
		}
	}
}

// refused takes an error in a point's place: the device's word, or one that makes no
// sense.
func (t *talker) refused(p *objectPoint, err error, at time.Time) {
	failure := bacnet.Failure(err)
	if failure.Code == 0 {
		t.failSlot(&p.slot, failure.Outcome, false)
		return
	}
	t.refuseSlot(&p.slot, failure.Code, at)
}

// orTimeout is the error of a device that stopped answering.
func orTimeout(err error) error {
	if err == nil {
		return bacnet.ErrTimeout
	}
	return err
}

// worth is what the flags and the reliability of a point's object say of it.
func (a *answer) worth(p *config.PlacedPoint) reading.Quality {
	if !p.Present() {
		return reading.Good
	}
	var flags bacnet.StatusFlags
	var reliability bacnet.Reliability
	if v, ok := a.value(p.Object.Object, bacnet.StatusFlagsOf); ok {
		flags, _ = v.Flags()
	}
	if v, ok := a.value(p.Object.Object, bacnet.ReliabilityOf); ok {
		reliability, _ = v.Reliability()
	}
	return bacnet.Worth(flags, reliability)
}

// note gives a point its value. What the device says of it counts before what the
// map says of its number.
func (t *talker) note(d *device, p *objectPoint, values []bacnet.Value, worth reading.Quality, at time.Time) {
	words := p.ValueWords(values)
	value, quality := 0.0, reading.Marked
	if words == nil {
		words = noNumber(p.Encoding.Type)
	} else {
		value, quality = p.Encoding.Decode(words)
	}
	switch {
	case worth != reading.Good:
		quality = worth
	case quality == reading.Good && t.otherUnit(d, p):
		quality = reading.OtherUnit
	}
	if p.fan == everyFan {
		t.setAll(p.Point, value, quality, at)
		return
	}
	t.set(p.fan, p.Point, value, quality, at)
	copy(t.raw[p.at:], words)
}

// noNumber are the words of what is none.
func noNumber(of decode.Type) []uint16 {
	if of == decode.Bool {
		return []uint16{0}
	}
	raw := math.Float32bits(float32(math.NaN()))
	return []uint16{uint16(raw >> 16), uint16(raw)}
}

// learn keeps the units that a device states, and what it does not have.
func (d *device) learn(a *answer) {
	for i := range a.results {
		r := &a.results[i]
		switch r.Property {
		case bacnet.UnitsOf:
			d.fresh[r.Object], d.lists = true, [4]*list{}
			if r.Err == nil && len(r.Values) == 1 {
				d.units[r.Object], _ = r.Values[0].Units()
			}
		case bacnet.StatusFlagsOf, bacnet.ReliabilityOf:
		default:
			continue
		}
		if absent(r.Err) && !d.lacks[r.Reference] {
			d.lacks[r.Reference] = true
			d.lists = [4]*list{}
		}
	}
}

// absent reports whether an error says that there is no such property. Any other may
// pass, and what it hides is asked for again.
func absent(err error) bool {
	var remote *bacnet.RemoteError
	var reject *bacnet.Reject
	return errors.As(err, &remote) && remote.Code == bacnet.UnknownProperty || errors.As(err, &reject)
}

// otherUnit holds the unit that a device states against the map, and says so in
// the log where they differ.
func (t *talker) otherUnit(d *device, p *objectPoint) bool {
	if !p.stated {
		return false
	}
	stated, known := d.units[p.Object.Object]
	if !known || p.Agrees(stated) {
		return false
	}
	if wrong := (wrongUnit{p.fan, p.Point, stated}); !d.warned[wrong] {
		d.warned[wrong] = true
		t.log.Warn("a device states another unit than the point map, and its value is not used; correct unit and scale in the map, or write device_unit in the point if the device states it wrongly",
			t.who(&p.slot), zap.Stringer("point", p.Point), zap.Uint32("device", d.instance), zap.Stringer("object", p.Object),
			zap.Stringer("device_unit", stated), zap.String("map_unit", mapUnit(p.Encoding)))
	}
	return true
}

// mapUnit is the unit of one count, as the map has it.
func mapUnit(e decode.Encoding) string {
	if e.Scale == 1 {
		return e.Unit.Name
	}
	return units.Metric.Format(e.Scale, units.Plain) + " " + e.Unit.Name
}

// who names the fan of a point for the log.
func (t *talker) who(s *slot) zap.Field {
	if s.fan == everyFan {
		return zap.Skip()
	}
	return zap.String("fan", string(t.plan.Fans[s.fan].ID))
}
