package field

import (
	"bytes"
	"encoding/hex"
	"strings"
	"testing"

	"fanwarden/config"
	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// octets turns annotated hex into bytes; the spaces are for the reader.
func octets(text string) []byte {
	raw, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		panic(err)
	}
	return raw
}

// The request of the Modbus Application Protocol V1.1b3, section 6.3, in the
// frame of the Modbus Messaging on TCP/IP Implementation Guide V1.0b, section
// 3.1.3: 3 registers from 108 on, which hold 555, 0 and 100.
func TestTCPFrames(t *testing.T) {
	asked := octets("0001" + // transaction
		"0000" + // protocol: Modbus
		"0006" + // 6 bytes follow
		"FF" + // unit
		"03" + // read holding registers
		"006B" + // from address 107
		"0003") // 3 of them
	r, used, v := mbap{}.next(append(asked, 0x00, 0x02), false)
	if v != whole || used != 12 || r.transaction != 1 || r.unit != 0xFF || !bytes.Equal(r.pdu, octets("03 006B 0003")) {
		t.Errorf("%+v, %d bytes, %d", r, used, v)
	}
	answered := octets("0001 0000" +
		"0009" + // 9 bytes follow
		"FF 03" +
		"06" + // 6 bytes of data
		"022B 0000 0064")
	if got := (mbap{}).wrap(r, octets("03 06 022B 0000 0064")); !bytes.Equal(got, answered) {
		t.Errorf("answered % X; want % X", got, answered)
	}
	for end := range asked {
		if _, _, v := (mbap{}).next(asked[:end], false); v != more {
			t.Errorf("%d bytes of a frame are verdict %d; want more", end, v)
		}
	}
	for what, frame := range map[string]string{
		"another protocol":      "0001 0001 0006 FF 03 006B 0003",
		"no function":           "0001 0000 0001 FF",
		"longer than it can be": "0001 0000 00FF FF 03",
	} {
		if _, _, v := (mbap{}).next(octets(frame), false); v != nothing {
			t.Errorf("%s: verdict %d; want nothing", what, v)
		}
	}
}

// The checksums follow from MODBUS over Serial Line V1.02, section 6.2.2; the
// requests are the examples of the Modbus Application Protocol V1.1b3, sections
// 6.1 to 6.12, asked of unit 17.
func TestRTUFrames(t *testing.T) {
	for _, frame := range []string{
		"11" + // unit 17
			"03" + // read holding registers
			"006B 0003" + // 3 from address 107 on
			"76 87", // checksum, the low byte first
		"11 01 0013 0025 0E 84",
		"11 05 00AC FF00 4E 8B",
		"11 06 0001 0003 9A 9B",
		"11 0F 0013 000A 02 CD01 BF 0B",
		"11 10 0001 0002 04 000A 0102 C6 F0",
		"01 03 0000 0002 C4 0B",
	} {
		asked := octets(frame)
		pdu := asked[1 : len(asked)-2]
		r, used, v := rtu{}.next(append(asked, 0x11), false)
		if v != whole || used != len(asked) || r.unit != asked[0] || !bytes.Equal(r.pdu, pdu) {
			t.Errorf("%s: %+v, %d bytes, %d", frame, r, used, v)
		}
		for end := range asked {
			if _, _, v := (rtu{}).next(asked[:end], false); v != more {
				t.Errorf("%d bytes of %s: verdict %d; want more", end, frame, v)
			}
			if _, used, v := (rtu{}).next(asked[:end], true); v != nothing || used != end {
				t.Errorf("%d bytes of %s and silence: verdict %d, %d used; want nothing, and all dropped", end, frame, v, used)
			}
		}
		asked[2] ^= 0x01
		if _, _, v := (rtu{}).next(asked, false); v != nothing {
			t.Errorf("%s with one bit wrong: verdict %d; want nothing", frame, v)
		}
	}
	if got, want := (rtu{}).wrap(request{unit: 0x11}, octets("03 06 022B 0000 0064")), octets("11 03 06 022B00000064 C8 BA"); !bytes.Equal(got, want) {
		t.Errorf("answered % X; want % X", got, want)
	}
	if got, want := (rtu{}).wrap(request{unit: 0x11}, refuse(3, illegalAddress)), octets("11 83 02 C1 34"); !bytes.Equal(got, want) {
		t.Errorf("refused % X; want % X", got, want)
	}
}

// Function 2B tells no length, so its frame ends where the line falls silent.
// 0x1241, sent 41 12, is the checksum of 02 07 in MODBUS over Serial Line
// V1.02, section 6.2.2.
func TestAFrameOfUnknownFunctionEndsWithSilence(t *testing.T) {
	frame := octets("02 07 41 12")
	if _, _, v := (rtu{}).next(frame, false); v != more {
		t.Errorf("verdict %d before the silence; want more", v)
	}
	if r, used, v := (rtu{}).next(frame, true); v != whole || used != 4 || !bytes.Equal(r.pdu, []byte{7}) {
		t.Errorf("%+v, %d bytes, verdict %d", r, used, v)
	}
	if sum := crc([]byte("123456789")); sum != 0x4B37 { // the usual check of CRC-16 with polynomial A001; from memory
		t.Errorf("checksum %04X", sum)
	}
}

// Requests and answers of the Modbus Application Protocol V1.1b3: bits 20 to
// 38 of coils (section 6.1), 197 to 218 of discrete inputs (6.2), registers
// 108 to 110 (6.3) and input register 9 (6.4).
func TestAnswersToReads(t *testing.T) {
	bits := func(octets ...byte) (all []uint16) {
		for _, o := range octets {
			for i := range 8 {
				all = append(all, uint16(o>>i)&1)
			}
		}
		return all
	}
	for _, test := range []struct {
		asked string
		table decode.Table
		first int
		words []uint16
		want  string
	}{
		{"01 0013 0013", decode.Coil, 19, bits(0xCD, 0x6B, 0x05)[:19], "01 03 CD6B05"},
		{"02 00C4 0016", decode.Discrete, 196, bits(0xAC, 0xDB, 0x35)[:22], "02 03 ACDB35"},
		{"03 006B 0003", decode.Holding, 107, []uint16{555, 0, 100}, "03 06 022B 0000 0064"},
		{"04 0008 0001", decode.Input, 8, []uint16{10}, "04 02 000A"},
	} {
		s, refused := parse(octets(test.asked))
		if refused != accepted || s.table != test.table || s.first != test.first || s.count != len(test.words) || s.words != nil {
			t.Errorf("%s: %+v, exception %d", test.asked, s, refused)
			continue
		}
		if got := answerRead(octets(test.asked)[0], s, test.words); !bytes.Equal(got, octets(test.want)) {
			t.Errorf("%s: answered % X; want %s", test.asked, got, test.want)
		}
	}
}

// The limits are those of the Modbus Application Protocol V1.1b3, sections 6.1
// to 6.12, and its state diagrams give the order of the checks.
func TestParse(t *testing.T) {
	for _, test := range []struct {
		asked string
		want  exception
	}{
		{"03 0000 007D", accepted},
		{"03 0000 007E", illegalValue},
		{"03 0000 0000", illegalValue},
		{"04 FFFF 0001", accepted},
		{"04 FFFF 0002", illegalAddress},
		{"01 0000 07D0", accepted},
		{"02 0000 07D1", illegalValue},
		{"03 0000", illegalValue},
		{"05 00AC FF00", accepted},
		{"05 00AC 0001", illegalValue},
		{"06 0001 0003", accepted},
		{"0F 0013 000A 02 CD01", accepted},
		{"0F 0013 000A 01 CD", illegalValue},
		{"10 0001 0002 04 000A 0102", accepted},
		{"10 0001 0002 04 000A", illegalValue},
		{"10 0001 0000 00", illegalValue},
		{"07", illegalFunction},
		{"2B 0E 01 00", illegalFunction},
	} {
		if _, refused := parse(octets(test.asked)); refused != test.want {
			t.Errorf("%s: exception %d; want %d", test.asked, refused, test.want)
		}
	}
	s, _ := parse(octets("0F 0013 000A 02 CD01"))
	want := []uint16{1, 0, 1, 1, 0, 0, 1, 1, 1, 0} // coils 20 to 29 of section 6.11
	for i, w := range want {
		if s.words[i] != w {
			t.Errorf("coils to write %v; want %v", s.words, want)
			break
		}
	}
}

// at is a point of one register, at an address.
func at(p reading.Point, table decode.Table, address int, e decode.Encoding) mapped {
	return mapped{config.PlacedPoint{Point: p, Unit: 1, Table: table, Address: address, Encoding: e}, nil}
}

func TestHolesReadZeroAndTheMapEnds(t *testing.T) {
	all := make(map[place]*bank)
	number := decode.Encoding{Type: decode.Int16, Bit: decode.NoBit, Scale: 1}
	put(all, at(reading.Pressure, decode.Holding, 10, number))
	put(all, at(reading.Running, decode.Holding, 12, decode.Encoding{Type: decode.Uint16, Bit: 3}))
	put(all, at(reading.Fault, decode.Holding, 12, decode.Encoding{Type: decode.Uint16, Bit: 0, Invert: true}))
	put(all, at(reading.Speed, decode.Holding, 14, decode.Encoding{Type: decode.Uint32, Bit: decode.NoBit, Scale: 1}))
	put(all, at(reading.ForceSpeed, decode.Holding, 17, number))
	b := all[place{1, decode.Holding}]
	show := func(m mapped) []uint16 {
		value := map[reading.Point]float64{reading.Pressure: -30, reading.Speed: 0x10002, reading.Running: 1, reading.Fault: 0}
		return m.encode(value[m.Point])
	}
	words := make([]uint16, 8)
	if refused := b.read(span{decode.Holding, 10, 8, nil}, words, show); refused != accepted {
		t.Fatalf("exception %d", refused)
	}
	want := []uint16{0xFFE2, 0, 0x0009, 0, 0x0001, 0x0002, 0, 0}
	for i := range want {
		if words[i] != want[i] {
			t.Fatalf("read %04X; want %04X", words, want)
		}
	}
	one := words[:1]
	if b.read(span{decode.Holding, 15, 1, nil}, one, show); one[0] != 2 {
		t.Errorf("the second word of a pair alone is %04X; want 0002", one[0])
	}
	if refused := b.read(span{decode.Holding, 11, 8, nil}, words, show); refused != illegalAddress {
		t.Errorf("beyond the map: exception %d; want 02", refused)
	}
	if refused := (*bank)(nil).read(span{decode.Coil, 0, 1, nil}, one, show); refused != illegalAddress {
		t.Errorf("a table that is not there: exception %d; want 02", refused)
	}
	if refused := b.write(span{decode.Holding, 17, 1, []uint16{77}}); refused != accepted {
		t.Errorf("an output refuses: exception %d", refused)
	}
	if b.read(span{decode.Holding, 17, 1, nil}, one, show); one[0] != 77 {
		t.Errorf("an output reads back %d; want 77", one[0])
	}
	if refused := b.write(span{decode.Holding, 16, 2, []uint16{5, 5}}); refused != illegalFunction {
		t.Errorf("a write beside the outputs: exception %d; want 01", refused)
	}
	if b.read(span{decode.Holding, 17, 1, nil}, one, show); one[0] != 77 {
		t.Errorf("after a refused write the output reads %d; want 77", one[0])
	}
}
