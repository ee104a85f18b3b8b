package modbus

import (
	"encoding/binary"
	"slices"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// The checksum of Modbus over Serial Line V1.02, section 6.2.2, low byte first.
// Its example is "02 07"; the check value of the nine digits and those of the
// other frames are computed.
func TestCRC(t *testing.T) {
	if sum := crc([]byte("123456789")); sum != 0x4B37 {
		t.Errorf("%04X; want 4B37", sum)
	}
	for _, test := range []struct{ frame, sum string }{
		{"02 07", "41 12"},
		{"11 03 006B 0003", "76 87"},
		{"11 03 06 022B 0000 0064", "C8 BA"},
		{"11 01 0013 0025", "0E 84"},
		{"01 03 0000 0002", "C4 0B"},
		{"11 83 02", "C1 34"},
	} {
		sum := binary.LittleEndian.AppendUint16(nil, crc(frame(test.frame)))
		if !slices.Equal(sum, frame(test.sum)) {
			t.Errorf("%s: % X; want %s", test.frame, sum, test.sum)
		}
	}
}

// A frame is whole only when its last byte is there, and wrong as soon as it
// cannot become the answer any more.
func TestCheck(t *testing.T) {
	three := ask(0x11, decode.Holding, 3)
	tests := []struct {
		name    string
		got     string
		whole   bool
		outcome reading.Outcome // OK: no failure
		code    uint8
	}{
		{"nothing yet", "", false, reading.OK, 0},
		{"no byte count yet", "11 03", false, reading.OK, 0},
		{"no data yet", "11 03 06", false, reading.OK, 0},
		{"half a checksum", "11 03 06 022B 0000 0064  C8", false, reading.OK, 0},
		{"the answer", "11 03 06 022B 0000 0064  C8 BA", true, reading.OK, 0},
		{"one byte more", "11 03 06 022B 0000 0064  C8 BA 00", false, reading.Garbled, 0},
		{"the answer twice", "11 03 06 022B 0000 0064  C8 BA  11 03 06 022B 0000 0064  C8 BA", false, reading.Garbled, 0},
		{"a checksum high byte first", "11 03 06 022B 0000 0064  BA C8", false, reading.Garbled, 0},
		{"another unit, known by the head alone", "12 03 06", false, reading.Garbled, 0},
		{"another function, known by the head alone", "11 04 06", false, reading.Garbled, 0},
		{"another count, known by the head alone", "11 03 04", false, reading.Garbled, 0},
		{"half a refusal", "11 83 02 C1", false, reading.OK, 0},
		{"a refusal", "11 83 02  C1 34", true, reading.Exception, 2},
		{"a refusal by another unit", "12 83 02  C1 34", false, reading.Garbled, 0},
		{"a refusal of another function", "11 84 02  C3 04", false, reading.Garbled, 0},
		{"a refusal with a wrong checksum", "11 83 02  C1 35", false, reading.Garbled, 0},
		{"a refusal twice", "11 83 02  C1 34  11 83 02  C1 34", false, reading.Garbled, 0},
		{"a refusal without a reason", "11 83 00  40 F5", false, reading.Garbled, 0},
	}
	for _, test := range tests {
		whole, failure := three.check(frame(test.got))
		if failure == nil {
			failure = &reading.Failure{Outcome: reading.OK}
		}
		if whole != test.whole || failure.Outcome != test.outcome || failure.Code != test.code {
			t.Errorf("%s: whole %v, %s, code %02X; want %v, %s, %02X",
				test.name, whole, failure.Outcome, failure.Code, test.whole, test.outcome, test.code)
		}
	}
}

// FuzzCheck takes any bytes for the answer to any request. They are an answer
// only when they are a frame of the shape that was asked for; and what fails
// does so no matter in how many pieces it comes.
func FuzzCheck(f *testing.F) {
	f.Add(byte(0x11), byte(2), uint16(3), frame("11 03 06 022B 0000 0064  C8 BA"))
	f.Add(byte(0x11), byte(2), uint16(3), frame("11 83 02  C1 34"))
	f.Add(byte(0x11), byte(0), uint16(0x13), frame("11 01 03 CD6B05  43 81"))
	f.Add(byte(0x11), byte(2), uint16(3), frame("11 03 06 022B 0000 0064  C8 BA 00"))
	f.Fuzz(func(t *testing.T, unit, table byte, count uint16, got []byte) {
		table %= 4
		limit := uint16(125)
		if decode.Table(table).Bits() {
			limit = 2000
		}
		count = count%limit + 1
		asked := ask(int(unit), decode.Table(table), count)
		whole, failure := asked.check(got)
		switch {
		case whole && failure == nil:
			if len(got) != 5+asked.bytes || got[0] != unit || got[1] != table+1 || int(got[2]) != asked.bytes || !summed(got) {
				t.Fatalf("unit %d, function %d, count %d: % X passed", unit, table+1, count, got)
			}
			into := make([]uint16, count)
			unpack(decode.Table(table), got[3:len(got)-2], into)
		case whole:
			if len(got) != 5 || got[0] != unit || got[1] != table+0x81 || got[2] != failure.Code || failure.Code == 0 || !summed(got) {
				t.Fatalf("unit %d, function %d: % X passed as exception %02X", unit, table+1, got, failure.Code)
			}
		case failure == nil && len(got) >= 5+asked.bytes:
			t.Fatalf("% X wants more, though %d bytes are all", got, 5+asked.bytes)
		}
		for end := range got {
			if early, wrong := asked.check(got[:end]); (early || wrong != nil) && whole {
				t.Fatalf("% X is an answer, and its first %d bytes are one or cannot become one", got, end)
			}
		}
	})
}

// summed reports whether a frame ends with its checksum, by another hand.
func summed(frame []byte) bool {
	end := len(frame) - 2
	return checksum(frame[:end]) == binary.LittleEndian.Uint16(frame[end:])
}
