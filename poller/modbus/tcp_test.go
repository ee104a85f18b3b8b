package modbus

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"slices"
	"testing"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

const second = "0002 0000 0005 11  03 02 0064"

// Answers that come in pieces, two at a time or twice are each taken for the
// request whose number they have.
func TestAnswersThatComeInPiecesTogetherAndTwice(t *testing.T) {
	first := frame(goodTCP)
	tests := []struct {
		name string
		send [2][][]byte
	}{
		{"byte by byte", [2][][]byte{{first[:1], first[1:4], first[4:8], first[8:]}, {frame(second)}}},
		{"twice at once", [2][][]byte{{slices.Concat(first, first)}, {frame(second)}}},
		{"the first again before the second", [2][][]byte{{first}, {slices.Concat(first, frame(second))}}},
		{"half of a copy behind it", [2][][]byte{{slices.Concat(first, first[:5])}, {slices.Concat(first[5:], frame(second))}}},
		{"a long stranger before it", [2][][]byte{{slices.Concat(frame("0009 0000 00FD 11  03 FA"), make([]byte, 250), first)}, {frame(second)}}},
		{"another protocol before it", [2][][]byte{{slices.Concat(frame("0001 0007 0005 11  03 02 DEAD"), first)}, {frame(second)}}},
	}
	for _, test := range tests {
		session := open(t, "tcp", peer(t, step{send: test.send[0], gap: time.Millisecond}, step{send: test.send[1]}), patient)
		for i, want := range []uint16{0x022B, 0x0064} {
			var word [1]uint16
			if err := session.Read(0x11, decode.Holding, 0x6B, 1, word[:]); err != nil || word[0] != want {
				t.Errorf("%s: read %d brought %04X, %v; want %04X", test.name, i+1, word[0], err, want)
			}
		}
	}
}

// Numbers go round after 65,535.
func TestNumbersGoRound(t *testing.T) {
	session := open(t, "tcp", peer(t, step{want: frame("0000 0000 0006 11  03 006B 0001"), send: [][]byte{frame("0000 0000 0005 11  03 02 022B")}}), patient)
	session.over.(*tcp).number = 0xFFFF
	if err := one(session); err != nil {
		t.Error(err)
	}
}

// A write that is refused leaves the session open; one that is answered wrongly
// ends it.
func TestWritesThatFailOverTCP(t *testing.T) {
	session := open(t, "tcp", peer(t,
		step{want: frame("0001 0000 0006 11  06 0001 0003"), send: [][]byte{frame("0001 0000 0003 11  86 02")}}, // exception 02
		step{want: frame("0002 0000 0006 11  06 0001 0003"), send: [][]byte{frame("0002 0000 0006 11  06 0001 0004")}},
	), patient)
	err := session.Write(0x11, decode.Holding, 1, []uint16{3})
	if f, is := err.(*reading.Failure); !is || f.Code != 2 {
		t.Errorf("%v; want exception 02", err)
	}
	ended(t, session.Write(0x11, decode.Holding, 1, []uint16{3}), reading.Garbled, 0)
}

// answering answers every read of holding registers with zeros.
func answering(t testing.TB) (address string) {
	return serve(t, func(conn net.Conn) {
		asked, answer := make([]byte, 12), make([]byte, 300)
		for {
			if _, err := io.ReadFull(conn, asked); err != nil {
				return
			}
			bytes := 2 * int(binary.BigEndian.Uint16(asked[10:]))
			copy(answer, asked[:8])
			binary.BigEndian.PutUint16(answer[4:], uint16(3+bytes))
			answer[8] = byte(bytes)
			if _, err := conn.Write(answer[:9+bytes]); err != nil {
				return
			}
		}
	})
}

func TestReadOverTCPAllocatesNothing(t *testing.T) {
	session, err := Open(context.Background(), Options{Scheme: "tcp", Address: answering(t), Timeout: patient})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	into := make([]uint16, 10)
	if n := testing.AllocsPerRun(100, func() {
		if err := session.Read(1, decode.Holding, 0, 10, into); err != nil {
			t.Fatal(err)
		}
	}); n != 0 {
		t.Errorf("%v allocations a read", n)
	}
}
