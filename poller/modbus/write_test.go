package modbus

import (
	"testing"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// The worked examples of the Modbus Application Protocol V1.1b3, sections 6.5,
// 6.6 and 6.12, over TCP, and over RTU with their checksums (Modbus over Serial
// Line V1.02, section 6.2.2).
func TestWorkedExamplesOfWrites(t *testing.T) {
	tests := []struct {
		name                 string
		tcp, tcpAnswer       string
		serial, serialAnswer string
		table                decode.Table
		address              int
		words                []uint16
	}{
		{"05 write coil 173 on",
			"0001 0000 0006 11  05 00AC FF00", "0001 0000 0006 11  05 00AC FF00",
			"11 05 00AC FF00  4E 8B", "11 05 00AC FF00  4E 8B",
			decode.Coil, 0xAC, []uint16{1}},
		{"06 write register 2 to 3",
			"0001 0000 0006 11  06 0001 0003", "0001 0000 0006 11  06 0001 0003",
			"11 06 0001 0003  9A 9B", "11 06 0001 0003  9A 9B",
			decode.Holding, 1, []uint16{3}},
		{"10 write registers 2 and 3 to 000A 0102",
			// function, address, quantity, bytes, the words; the answer ends with the quantity
			"0001 0000 000B 11  10 0001 0002 04 000A 0102", "0001 0000 0006 11  10 0001 0002",
			"11 10 0001 0002 04 000A 0102  C6 F0", "11 10 0001 0002  12 98",
			decode.Holding, 1, []uint16{0x000A, 0x0102}},
	}
	for _, test := range tests {
		over := open(t, "tcp", peer(t, step{want: frame(test.tcp), send: [][]byte{frame(test.tcpAnswer)}}), patient)
		if err := over.Write(0x11, test.table, test.address, test.words); err != nil {
			t.Errorf("%s over TCP: %v", test.name, err)
		}
		over = open(t, "rtuovertcp", peer(t, step{want: frame(test.serial), send: [][]byte{frame(test.serialAnswer)}}), patient)
		if err := over.Write(0x11, test.table, test.address, test.words); err != nil {
			t.Errorf("%s over RTU: %v", test.name, err)
		}
	}
}

// A write that is refused leaves the session open; one that is answered wrongly
// ends it.
func TestWritesThatFail(t *testing.T) {
	session := open(t, "rtuovertcp", peer(t,
		step{want: frame("11 06 0001 0003  9A 9B"), send: [][]byte{frame("11 86 02  C2 64")}},        // exception 02
		step{want: frame("11 06 0001 0003  9A 9B"), send: [][]byte{frame("11 06 0001 0004  DB 59")}}, // another value
	), patient)
	err := session.Write(0x11, decode.Holding, 1, []uint16{3})
	if f, is := err.(*reading.Failure); !is || f.Code != 2 {
		t.Errorf("%v; want exception 02", err)
	}
	ended(t, session.Write(0x11, decode.Holding, 1, []uint16{3}), reading.Garbled, 0)
}

// What no table takes is not sent.
func TestWritesThatCannotBe(t *testing.T) {
	session := &Session{} // without a connection
	for _, c := range []struct {
		table decode.Table
		words []uint16
	}{{decode.Input, []uint16{1}}, {decode.Discrete, []uint16{1}}, {decode.Holding, nil}, {decode.Holding, []uint16{1, 2, 3}}, {decode.Coil, []uint16{1, 1}}} {
		if err := session.Write(1, c.table, 0, c.words); err == nil {
			t.Errorf("%s %v was written", c.table, c.words)
		}
	}
}
