package field

import "testing"

// Whatever comes in, what goes out is a well-formed frame that belongs to it.
func FuzzRequest(f *testing.F) {
	for _, frame := range []string{
		"0001 0000 0006 01 03 0000 0003",
		"0001 0000 0006 01 02 0000 0001 0002 0000 0006 01 05 0000 FF00",
		"11 03 006B 0003 76 87",
		"11 10 0001 0002 04 000A 0102 C6 F0",
		"02 07 41 12",
	} {
		f.Add(octets(frame))
	}
	l, _ := lineOf(fleetFrom(f, tableFleet), 1)
	f.Fuzz(func(t *testing.T, come []byte) {
		for _, how := range []framing{mbap{}, rtu{}} {
			for left := come; len(left) > 0; {
				r, used, v := how.next(left, true)
				if v != whole {
					break
				}
				if used < 1 || used > len(left) || len(r.pdu) == 0 {
					t.Fatalf("%d bytes used, PDU % X", used, r.pdu)
				}
				r.unit = 1
				pdu, _ := l.answer(r)
				if len(pdu) < 2 || len(pdu) > longestPDU || pdu[0]&^0x80 != r.pdu[0]&^0x80 {
					t.Fatalf("% X answers % X", pdu, r.pdu)
				}
				if pdu[0] < 0x80 && pdu[0] <= readInput && len(pdu) != 2+int(pdu[1]) {
					t.Fatalf("% X answers % X", pdu, r.pdu)
				}
				left = left[used:]
			}
		}
	})
}
