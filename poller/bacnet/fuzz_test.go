package bacnet

import (
	"reflect"
	"testing"
)

// fuzz checks a pair of functions: nothing panics, and what was understood is
// understood the same way after it has been written again.
func fuzz[T any](f *testing.F, parse func([]byte) (T, error), write func(T) []byte, seeds ...string) {
	for _, s := range seeds {
		f.Add(wire(f, s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		x, err := parse(b)
		if err != nil {
			return
		}
		again, err := parse(write(x))
		if err != nil || !reflect.DeepEqual(x, again) {
			t.Fatalf("%X gave\n%+v, written %X and read again\n%+v, %v", b, x, write(x), again, err)
		}
	})
}

func FuzzBVLC(f *testing.F) {
	fuzz(f, ParseBVLC, func(m BVLC) []byte { return m.Append(nil) }, "810B000C0120FFFF00FF1008", "8104000C0A140314BAC00100")
}

func FuzzNPDU(f *testing.F) {
	fuzz(f, ParseNPDU, func(n NPDU) []byte { return n.Append(nil) }, "0120FFFF00FF1008", "0108000501071008", "018001")
}

func FuzzAPDU(f *testing.F) {
	fuzz(f, ParseAPDU, func(a APDU) []byte { return a.Append(nil) }, "0000010C0C000000051955", "3C0101040C", "40010204", "500C0C91019120", "600105", "710104")
}

func FuzzReadProperty(f *testing.F) {
	fuzz(f, ParseReadProperty, func(p Reference) []byte { return AppendReadProperty(nil, p) }, "0C000000051955", "0C0200000319 4C2900")
}

func FuzzReadPropertyAck(f *testing.F) {
	fuzz(f, ParseReadPropertyAck, func(a Result) []byte { return AppendReadPropertyAck(nil, a) }, "0C0000000519553E444290999A3F", "0C0000000519553E0E09013F0F3F")
}

func FuzzReadPropertyMultiple(f *testing.F) {
	fuzz(f, ParseReadPropertyMultiple, func(p []Reference) []byte { return AppendReadPropertyMultiple(nil, p) }, "0C000000101E095509671F")
}

func FuzzReadPropertyMultipleAck(f *testing.F) {
	fuzz(f, ParseReadPropertyMultipleAck, func(a []Result) []byte { return AppendReadPropertyMultipleAck(nil, a) },
		"0C000000101E29554E444290999A4F29674E91004F1F", "0C000000321E29555E9101911F5F1F")
}

func FuzzWhoIs(f *testing.F) {
	fuzz(f, ParseWhoIs, func(w WhoIs) []byte { return w.Append(nil) }, "", "09031903")
}

func FuzzIAm(f *testing.F) {
	fuzz(f, ParseIAm, func(i IAm) []byte { return i.Append(nil) }, "C40200000322040091032163")
}

func FuzzSubscribeCOV(f *testing.F) {
	fuzz(f, ParseSubscribeCOV, func(s SubscribeCOV) []byte { return s.Append(nil) }, "09121C0000000A29013900", "09121C0000000A")
}

func FuzzCOVNotification(f *testing.F) {
	fuzz(f, ParseCOVNotification, func(n COVNotification) []byte { return n.Append(nil) },
		"09121C020000042C0000000A39004E09552E44428200002F096F2E8204002F4F")
}

func FuzzWrite(f *testing.F) {
	fuzz(f, ParseWrite, func(w Write) []byte { return w.Append(nil) }, "0C0080000119553E44433400003F4909", "0C0080000119553E003F4910")
}
