package visit

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"fanwarden/config"
	"fanwarden/poller/bacnet"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
	"fanwarden/poller/units"
)

func placed(object string, property bacnet.PropertyID, unit string) config.PlacedPoint {
	id, _ := bacnet.ParseObject(object)
	p := config.PlacedPoint{Point: reading.Pressure, Unit: 1201, Object: bacnet.Reference{Object: id, Property: property},
		Encoding: decode.Encoding{Type: decode.Float32, Scale: 1, Bit: decode.NoBit}}
	p.Encoding.Unit, _ = units.Find(unit)
	return p
}

func TestPropertiesAskedFor(t *testing.T) {
	all := properties{units: true, around: true}
	for _, c := range []struct {
		p    config.PlacedPoint
		want properties
		asks string
	}{
		{placed("analog-input,1", bacnet.PresentValue, "Pa"), properties{}, "analog-input,1; status-flags; reliability"},
		{placed("analog-input,1", bacnet.PresentValue, "Pa"), all, "analog-input,1; status-flags; reliability; units; analog-input,0; units; analog-input,2; units"},
		{placed("analog-input,0", bacnet.PresentValue, "Pa"), properties{around: true}, "analog-input,0; status-flags; reliability; analog-input,1"},
		{placed("binary-input,1", bacnet.PresentValue, ""), properties{units: true}, "binary-input,1; status-flags; reliability; polarity"},
		{placed("binary-value,1", bacnet.PresentValue, ""), properties{units: true}, "binary-value,1; status-flags; reliability"},
		{placed("analog-output,1", bacnet.RelinquishDefault, "%"), properties{units: true}, "analog-output,1 relinquish-default"},
	} {
		var asks []string
		for _, r := range c.want.of(c.p) {
			text := r.String()
			if r.Property != c.p.Object.Property {
				text = r.Property.String()
			}
			asks = append(asks, text)
		}
		if got := strings.Join(asks, "; "); got != c.asks {
			t.Errorf("%s %+v asks %s, want %s", c.p.Object, c.want, got, c.asks)
		}
	}
}

func TestAnswerOfResults(t *testing.T) {
	p := placed("analog-input,5", bacnet.PresentValue, "Pa")
	at := func(instance uint32, property bacnet.PropertyID, v bacnet.Value) bacnet.Result {
		return bacnet.Result{Reference: bacnet.Reference{Object: bacnet.ObjectID{Instance: instance}, Property: property}, Values: []bacnet.Value{v}}
	}
	own, lower, higher := at(5, bacnet.PresentValue, bacnet.RealValue(-45)), at(4, bacnet.PresentValue, bacnet.RealValue(1)), at(6, bacnet.PresentValue, bacnet.RealValue(2))
	a := answerOf(p, []bacnet.Result{own, at(5, bacnet.StatusFlagsOf, bacnet.FlagsValue(bacnet.StatusFlags{Overridden: true})), lower, higher})
	if a.Failure != nil || !slices.Equal(a.Words, p.Encoding.Encode(-45)) || !slices.Equal(a.Before, p.Encoding.Encode(1)) || !slices.Equal(a.After, p.Encoding.Encode(2)) ||
		a.Object.Quality() != reading.Overridden || a.Object.Value != -45 {
		t.Errorf("%+v", a)
	}
	// What is beside it counts only where it can be meant.
	a = answerOf(p, []bacnet.Result{own, lower, at(4, bacnet.UnitsOf, bacnet.EnumeratedValue(47)), higher, at(6, bacnet.UnitsOf, bacnet.EnumeratedValue(58))})
	if a.Before != nil || a.After == nil {
		t.Errorf("%+v", a)
	}
	lower.Err = errors.New("no such object")
	if a = answerOf(p, []bacnet.Result{own, lower}); a.Before != nil || a.Failure != nil {
		t.Errorf("%+v", a)
	}
	own.Err = &bacnet.RemoteError{Class: 1, Code: 31}
	if a = answerOf(p, []bacnet.Result{own}); a.Failure == nil || a.Failure.Outcome != reading.Exception || a.Failure.Code != 31 {
		t.Errorf("%+v", a)
	}
	if a = answerOf(p, []bacnet.Result{at(5, bacnet.PresentValue, bacnet.TextValue("high"))}); a.Failure == nil || a.Failure.Outcome != reading.Garbled {
		t.Errorf("%+v", a)
	}
}

// What is written has the type of its object's kind, and nothing relinquishes.
func TestCommands(t *testing.T) {
	speed := placed("analog-output,1", bacnet.PresentValue, "%")
	mode := placed("multi-state-value,1", bacnet.PresentValue, "")
	mode.States, mode.Encoding = []uint32{3, 4}, decode.Encoding{Type: decode.Bool, Bit: decode.NoBit}
	on := placed("binary-value,1", bacnet.PresentValue, "")
	on.Encoding = mode.Encoding
	for _, c := range []struct {
		p     config.PlacedPoint
		value float64
		want  bacnet.Value
	}{
		{speed, 0.33, bacnet.RealValue(33)}, {on, 1, bacnet.EnumeratedValue(1)}, {on, 0, bacnet.EnumeratedValue(0)}, {mode, 1, bacnet.UnsignedValue(3)},
	} {
		if got, err := commandOf(c.p, c.p.Encoding.Encode(c.value)); err != nil || fmt.Sprint(got) != fmt.Sprint(c.want) {
			t.Errorf("%s to %v is %v, %v", c.p.Object, c.value, got, err)
		}
		if got, err := commandOf(c.p, nil); err != nil || got.Type != bacnet.Null {
			t.Errorf("%s is released by %v, %v", c.p.Object, got, err)
		}
	}
	if _, err := commandOf(placed("loop,1", bacnet.PresentValue, "%"), []uint16{0, 0}); err == nil {
		t.Error("a loop is commanded")
	}
}

func TestDriverReadsAndWritesOutputsOnly(t *testing.T) {
	g := &config.Gateway{Scheme: config.BACnet}
	d := NewDriver(New(g, nil, nil), &config.Fan{Gateway: g})
	if err := d.Write(t.Context(), placed("analog-input,1", bacnet.PresentValue, "Pa"), nil); err == nil {
		t.Error("a pressure was written")
	}
}
