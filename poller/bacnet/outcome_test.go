package bacnet

import (
	"context"
	"fmt"
	"syscall"
	"testing"

	"fanwarden/poller/reading"
)

func TestEveryEndHasItsOutcome(t *testing.T) {
	for _, c := range []struct {
		err  error
		want reading.Outcome
		code uint8
	}{
		{&RemoteError{1, 31}, reading.Exception, 31},
		{&RemoteError{0, 0}, reading.Exception, 1},
		{&Reject{9}, reading.Exception, 9},
		{fmt.Errorf("device 7: %w", &Abort{4}), reading.Exception, 4},
		{ErrTimeout, reading.Timeout, 0},
		{context.DeadlineExceeded, reading.Timeout, 0},
		{ErrMalformed, reading.Garbled, 0},
		{ErrClosed, reading.Reset, 0},
		{fmt.Errorf("write: %w", syscall.EHOSTUNREACH), reading.Refused, 0},
	} {
		if f := Failure(c.err); f.Outcome != c.want || f.Code != c.code || f.Err != c.err {
			t.Errorf("%v: %v, code %d", c.err, f.Outcome, f.Code)
		}
	}
}

// ANSI/ASHRAE 135, clause 20.2.1: values of every type survive the wire, and
// text of the character sets is read.
func TestValuesOfEveryType(t *testing.T) {
	for _, c := range []struct {
		v    Value
		want float64
	}{{RealValue(-0.5), -0.5}, {DoubleValue(1e9), 1e9}, {UnsignedValue(70000), 70000}, {Value{Signed, []byte{0xFE}}, -2},
		{EnumeratedValue(3), 3}, {BooleanValue(true), 1}, {BooleanValue(false), 0}} {
		if got, ok := c.v.Number(); !ok || got != c.want {
			t.Errorf("%+v: %v %v", c.v, got, ok)
		}
	}
	for _, v := range []Value{{CharacterString, []byte("\x00fan")}, {CharacterString, []byte("\x04\x00f\x00a\x00n")}, {CharacterString, []byte("\x05fan")}} {
		if got, ok := v.Text(); !ok || got != "fan" {
			t.Errorf("%+v: %q", v, got)
		}
	}
	if p, ok := EnumeratedValue(1).Polarity(); !ok || p != Reverse {
		t.Error("polarity")
	}
	if r, ok := EnumeratedValue(12).Reliability(); !ok || r.String() != "communication failure" {
		t.Error("reliability")
	}
	if _, ok := NullValue().Number(); ok {
		t.Error("nothing is a number")
	}
}
