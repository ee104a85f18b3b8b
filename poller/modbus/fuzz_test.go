package modbus

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"testing"
	"time"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

// FuzzAnswer has a peer answer a request for two holding registers of unit 17
// with any bytes, and then close. Whatever they are, the read ends soon, and it
// brings values only out of a well-formed answer to this very request.
func FuzzAnswer(f *testing.F) {
	f.Add(false, frame("0001 0000 0007 11  03 04 022B 0064"))
	f.Add(false, frame("0002 0000 0007 11  03 04 022B 0064 0001 0000 0007 11  03 04 022B 0064"))
	f.Add(false, frame("0001 0000 0003 11  83 02"))
	f.Add(false, frame("0001 0000 FFFF 11"))
	f.Add(true, frame("11 03 04 022B 0064  9B A9"))
	f.Add(true, frame("11 83 02  C1 34"))
	f.Add(true, frame("11 03 FF"))
	f.Add(true, []byte{})
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		f.Fatal(err)
	}
	defer listener.Close()
	f.Fuzz(func(t *testing.T, rtu bool, answer []byte) {
		done := make(chan struct{})
		go func() {
			defer close(done)
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			defer conn.Close()
			request := make([]byte, 12)
			if rtu {
				request = request[:8]
			}
			if _, err := io.ReadFull(conn, request); err == nil {
				conn.Write(answer)
			}
		}()
		scheme := "tcp"
		if rtu {
			scheme = "rtuovertcp"
		}
		session, err := Open(context.Background(), Options{Scheme: scheme, Address: listener.Addr().String(), Timeout: patient})
		if err != nil {
			t.Fatal(err)
		}
		defer func() { session.Close(); <-done }()
		var words [2]uint16
		begin := time.Now()
		err = session.Read(0x11, decode.Holding, 0x6B, 2, words[:])
		if took := time.Since(begin); took > patient+time.Second {
			t.Fatalf("the read took %v", took)
		}
		if err == nil {
			if !wellFormed(rtu, answer, words) {
				t.Fatalf("%04X came out of % X", words, answer)
			}
			return
		}
		failure, ok := err.(*reading.Failure)
		if !ok || failure.Outcome == reading.OK || failure.Outcome == reading.Invalid {
			t.Fatalf("%v is no failure", err)
		}
	})
}

// wellFormed reports whether those words are in the answer as they must be.
// Over TCP frames of other transactions may come before it.
func wellFormed(rtu bool, answer []byte, words [2]uint16) bool {
	pdu := binary.BigEndian.AppendUint16(binary.BigEndian.AppendUint16([]byte{0x11, 0x03, 0x04}, words[0]), words[1])
	if rtu {
		sum := checksum(pdu)
		return len(answer) >= 9 && string(answer[:9]) == string(append(pdu, byte(sum), byte(sum>>8)))
	}
	whole := append([]byte{0, 1, 0, 0, 0, 7}, pdu...)
	for len(answer) >= 7 {
		length := 6 + int(binary.BigEndian.Uint16(answer[4:]))
		if len(answer) < length || length < 7 {
			return false
		}
		if string(answer[:length]) == string(whole) {
			return true
		}
		answer = answer[length:]
	}
	return false
}

// checksum is the CRC of Modbus over Serial Line V1.02, section 6.2.2.
func checksum(frame []byte) uint16 {
	sum := uint16(0xFFFF)
	for _, b := range frame {
		sum ^= uint16(b)
		for range 8 {
			odd := sum & 1
			sum >>= 1
			if odd == 1 {
				sum ^= 0xA001
			}
		}
	}
	return sum
}

// "02 07" gives 1241 (the example of section 6.2.2), and the nine digits give
// 4B37, the check value that catalogues of CRCs list.
func TestChecksum(t *testing.T) {
	if sum := checksum([]byte{2, 7}); sum != 0x1241 {
		t.Errorf("%04X", sum)
	}
	if sum := checksum([]byte("123456789")); sum != 0x4B37 {
		t.Errorf("%04X", sum)
	}
}
