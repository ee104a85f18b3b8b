package visit

import (
	"context"
	"fmt"
	"time"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
	"fanwarden/rules/turnover"
)

// properties says what is asked for beside the values themselves.
type properties struct {
	units  bool // unit and polarity
	around bool // the values of the objects beside it
}

// of lists what is asked for a point, its value first and its neighbours last.
func (w properties) of(p config.PlacedPoint) []bacnet.Reference {
	object := p.Object.Object
	all := []bacnet.Reference{p.Object}
	also := func(property bacnet.PropertyID) {
		all = append(all, bacnet.Reference{Object: object, Property: property})
	}
	if p.Present() {
		also(bacnet.StatusFlagsOf)
		also(bacnet.ReliabilityOf)
	}
	switch {
	case w.units && p.Stated():
		also(bacnet.UnitsOf)
	case w.units && object.Type.Binary() && object.Type != bacnet.BinaryValue: // which has no polarity
		also(bacnet.PolarityOf)
	}
	if !w.around {
		return all
	}
	for _, by := range []int{-1, 1} {
		beside := p.Object
		if instance := int(object.Instance) + by; instance >= 0 && instance < bacnet.AnyInstance {
			beside.Object.Instance = uint32(instance)
			all = append(all, beside)
			if w.units && p.Stated() {
				all = append(all, bacnet.Reference{Object: beside.Object, Property: bacnet.UnitsOf})
			}
		}
	}
	return all
}

// askObjects asks for points of BACnet devices, each device in as few requests as
// its APDUs allow. A device that does not answer fails all of its points.
func (v *Visit) askObjects(ctx context.Context, points []config.PlacedPoint, want properties) []turnover.Answer {
	answers := make([]turnover.Answer, len(points))
	if err := v.Open(ctx); err != nil {
		for i := range answers {
			answers[i].Failure = asFailure(err)
		}
		return answers
	}
	of := make(map[int][]int) // points by device
	for i, p := range points {
		of[p.Unit] = append(of[p.Unit], i)
	}
	for device, members := range of {
		var asked []bacnet.Reference
		for _, i := range members {
			asked = append(asked, want.of(points[i])...)
		}
		got, err := v.devices.ReadAll(ctx, uint32(device), asked)
		for _, i := range members {
			if err != nil {
				answers[i].Failure = v.deviceFailure(uint32(device), err)
				continue
			}
			n := len(want.of(points[i]))
			answers[i] = answerOf(points[i], got[:n])
			got = got[n:]
		}
	}
	return answers
}

// deviceFailure is why a device did not answer. One that stays silent is looked for
// again: it may have moved.
func (v *Visit) deviceFailure(device uint32, err error) *reading.Failure {
	failure := bacnet.Failure(err)
	if failure.Outcome == reading.Timeout {
		v.devices.Forget(device)
	}
	return failure
}

// answerOf makes an answer of what was read for a point.
func answerOf(p config.PlacedPoint, got []bacnet.Result) (a turnover.Answer) {
	if got[0].Err != nil {
		return turnover.Answer{Failure: bacnet.Failure(got[0].Err)}
	}
	if a.Words = words(p, got[0]); a.Words == nil {
		return turnover.Answer{Failure: &reading.Failure{Outcome: reading.Garbled, Err: fmt.Errorf("%s holds no number", p.Object)}}
	}
	a.Object = &turnover.Says{}
	for _, r := range got {
		beside := &a.After
		if r.Object.Instance < p.Object.Object.Instance {
			beside = &a.Before
		}
		switch {
		case r.Object == p.Object.Object:
			a.Object.Note(r)
		case r.Reference.Property == p.Object.Property:
			*beside = words(p, r)
		case otherKind(p, r):
			*beside = nil
		}
	}
	return a
}

// otherKind reports whether an object states a unit that the point's values cannot
// have: it is not the one that was meant.
func otherKind(p config.PlacedPoint, r bacnet.Result) bool {
	var says turnover.Says
	says.Note(r)
	return says.Dimension() != units.Plain && says.Dimension() != p.Encoding.Unit.Dimension
}

// words are those that a value becomes under a point's map; nil where there is none.
func words(p config.PlacedPoint, r bacnet.Result) []uint16 {
	if r.Err != nil {
		return nil
	}
	return p.ValueWords(r.Values)
}

// lookAtObjects reads a BACnet fan once. Units and polarities are asked for the first
// time only: they do not change while one looks.
func (l *Looker) lookAtObjects(ctx context.Context) (turnover.Look, error) {
	look := turnover.Look{Time: time.Now()}
	look.Answers = l.visit.askObjects(ctx, l.points, properties{units: l.stated == nil, around: true})
	if err := ctx.Err(); err != nil {
		return look, err
	}
	if l.stated == nil {
		if !allSilent(look.Answers) {
			l.stated = look.Answers
		}
		return look, nil
	}
	for i := range look.Answers {
		if first, a := &l.stated[i], &look.Answers[i]; first.Object != nil && a.Object != nil {
			a.Object.Keep(first.Object)
			a.Before, a.After = where(first.Before, a.Before), where(first.After, a.After)
		}
	}
	return look, nil
}

// where returns what an object beside the point holds now, if it counted at first.
func where(first, now []uint16) []uint16 {
	if first == nil {
		return nil
	}
	return now
}

func allSilent(answers []turnover.Answer) bool {
	for _, a := range answers {
		if a.Failure == nil {
			return false
		}
	}
	return true
}

// commanded reads what stands at an output's priority; nil: nothing.
func (v *Visit) commanded(ctx context.Context, p config.PlacedPoint) ([]uint16, error) {
	if err := v.Open(ctx); err != nil {
		return nil, asFailure(err)
	}
	slot := bacnet.Reference{Object: p.Object.Object, Property: bacnet.PriorityArray, Indexed: true, Index: uint32(p.Priority)}
	values, err := v.devices.Read(ctx, uint32(p.Unit), slot)
	switch {
	case err != nil:
		return nil, v.deviceFailure(uint32(p.Unit), err)
	case len(values) == 1 && values[0].Type == bacnet.Null:
		return nil, nil
	}
	if held := p.ValueWords(values); held != nil {
		return held, nil
	}
	return nil, &reading.Failure{Outcome: reading.Garbled, Err: fmt.Errorf("%s holds no number", slot)}
}

// command writes an output at its priority, or relinquishes it where there are no
// words.
func (v *Visit) command(ctx context.Context, p config.PlacedPoint, words []uint16) error {
	if err := v.Open(ctx); err != nil {
		return asFailure(err)
	}
	value, err := commandOf(p, words)
	if err != nil {
		return err
	}
	if err := v.devices.Write(ctx, uint32(p.Unit), bacnet.Write{Reference: p.Object, Priority: p.Priority, Value: value}); err != nil {
		return v.deviceFailure(uint32(p.Unit), err)
	}
	return nil
}

// commandOf is the value that words stand for, of the type that the object's kind
// takes (clause 12); no words are the Null that relinquishes.
func commandOf(p config.PlacedPoint, words []uint16) (bacnet.Value, error) {
	if words == nil {
		return bacnet.NullValue(), nil
	}
	plain := decode.Encoding{Type: p.Encoding.Type, Bit: decode.NoBit, Scale: 1}
	n, _ := plain.Decode(words)
	switch t := p.Object.Object.Type; {
	case t == bacnet.AnalogOutput, t == bacnet.AnalogValue:
		return bacnet.RealValue(float32(n)), nil
	case t.Binary():
		return bacnet.EnumeratedValue(uint32(n)), nil
	case t.MultiState() && n != 0 && len(p.States) > 0:
		return bacnet.UnsignedValue(uint64(p.States[0])), nil
	}
	return bacnet.Value{}, fmt.Errorf("%s is of a kind that this program does not command", p.Object)
}
