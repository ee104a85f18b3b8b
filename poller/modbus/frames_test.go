package modbus

import (
	"slices"
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// The worked examples of the Modbus Application Protocol V1.1b3, sections 6.1
// to 6.4, inside the MBAP header of the Modbus Messaging on TCP/IP guide.
func TestWorkedExamplesOverTCP(t *testing.T) {
	tests := []struct {
		name           string
		request, reply string
		table          decode.Table
		address, count int
		want           []uint16
	}{
		{"01 read coils 20 to 38",
			// transaction, protocol 0, length, unit | function, address, quantity
			"0001 0000 0006 FF  01 0013 0013",
			// length: 1 unit + 5 PDU | function, 3 bytes: CD = 11001101, the lowest coil first
			"0001 0000 0006 FF  01 03 CD 6B 05",
			decode.Coil, 0x13, 0x13, []uint16{1, 0, 1, 1, 0, 0, 1, 1, 1, 1, 0, 1, 0, 1, 1, 0, 1, 0, 1}},
		{"02 read discrete inputs 197 to 218",
			"0001 0000 0006 FF  02 00C4 0016",
			"0001 0000 0006 FF  02 03 AC DB 35",
			decode.Discrete, 0xC4, 0x16, []uint16{0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 0, 1, 1, 0, 1, 1, 1, 0, 1, 0, 1, 1}},
		{"03 read holding registers 108 to 110",
			"0001 0000 0006 FF  03 006B 0003",
			// length: 1 unit + 8 PDU | function, 6 bytes: 555, 0, 100
			"0001 0000 0009 FF  03 06 022B 0000 0064",
			decode.Holding, 0x6B, 3, []uint16{555, 0, 100}},
		{"04 read input register 9",
			"0001 0000 0006 FF  04 0008 0001",
			"0001 0000 0005 FF  04 02 000A",
			decode.Input, 8, 1, []uint16{10}},
	}
	for _, test := range tests {
		session := open(t, "tcp", peer(t, step{want: frame(test.request), send: [][]byte{frame(test.reply)}}), patient)
		into := make([]uint16, test.count)
		if err := session.Read(0xFF, test.table, test.address, test.count, into); err != nil {
			t.Errorf("%s: %v", test.name, err)
		} else if !slices.Equal(into, test.want) {
			t.Errorf("%s: %v; want %v", test.name, into, test.want)
		}
	}
}

// RTU frames: unit, the same PDU, CRC low byte first (Modbus over Serial Line
// V1.02, sections 2.5.1 and 6.2.2).
func TestWorkedExamplesOverRTU(t *testing.T) {
	session := open(t, "rtuovertcp", peer(t,
		step{ // unit 17, function 03, address, quantity, CRC
			want: frame("11 03 006B 0003  76 87"),
			send: [][]byte{frame("11 03 06 022B 0000 0064  C8 BA")},
		},
		step{ // the same again, refused: function 83, exception 02, CRC
			want: frame("11 03 006B 0003  76 87"),
			send: [][]byte{frame("11 83 02  C1 34")},
		}), patient)
	into := make([]uint16, 3)
	if err := session.Read(0x11, decode.Holding, 0x6B, 3, into); err != nil || !slices.Equal(into, []uint16{555, 0, 100}) {
		t.Errorf("%v, %v; want 555, 0, 100", into, err)
	}
	ended(t, session.Read(0x11, decode.Holding, 0x6B, 3, into), reading.Exception, 0x02)
}

// Every exception of the Modbus Application Protocol V1.1b3, section 7, some
// that are not in it, and what each means for the unit. None ends the session.
func TestExceptions(t *testing.T) {
	tests := map[byte]reading.Outcome{1: reading.Exception, 2: reading.Exception, 3: reading.Exception, 4: reading.Exception,
		5: reading.Exception, 6: reading.Exception, 7: reading.Exception, 8: reading.Exception, 9: reading.Exception,
		0x0A: reading.PathUnavailable, 0x0B: reading.UnitSilent, 0x55: reading.Exception, 0xFF: reading.Exception}
	for code, want := range tests {
		refusal := frame("0001 0000 0003 11  83 00")
		refusal[8] = code
		good := frame("0002 0000 0005 11  03 02 022B")
		session := open(t, "tcp", peer(t, step{send: [][]byte{refusal}}, step{send: [][]byte{good}}), patient)
		ended(t, one(session), want, code)
		if err := one(session); err != nil {
			t.Errorf("after exception %02X: %v", code, err)
		}
	}
}

// The published example of an exception: function 01 at address 04A1 is
// refused with 02 (Modbus Application Protocol V1.1b3, section 7).
func TestWorkedException(t *testing.T) {
	session := open(t, "tcp", peer(t, step{want: frame("0001 0000 0006 0A  01 04A1 0001"),
		send: [][]byte{frame("0001 0000 0003 0A  81 02")}}), patient)
	var into [1]uint16
	ended(t, session.Read(0x0A, decode.Coil, 0x04A1, 1, into[:]), reading.Exception, 2)
}

// The longest answers: 125 registers, 2000 bits (same document, sections 6.1
// and 6.3).
func TestLongestAnswers(t *testing.T) {
	registers := append(frame("0001 0000 00FD 11  03 FA"), make([]byte, 250)...)
	registers[len(registers)-1] = 7
	bits := append(frame("0002 0000 00FD 11  02 FA"), make([]byte, 250)...)
	bits[len(bits)-1] = 0x80
	session := open(t, "tcp", peer(t, step{send: [][]byte{registers}}, step{send: [][]byte{bits}}), patient)
	into := make([]uint16, 2000)
	if err := session.Read(0x11, decode.Holding, 0, 125, into); err != nil || into[124] != 7 {
		t.Errorf("125 registers: %v, the last one %d", err, into[124])
	}
	if err := session.Read(0x11, decode.Discrete, 0, 2000, into); err != nil || into[1999] != 1 || into[1998] != 0 {
		t.Errorf("2000 bits: %v, the last ones %v", err, into[1998:])
	}
}
