package modbus

import (
	"context"
	"crypto/tls"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

const (
	goodTCP = "0001 0000 0005 11  03 02 022B"
	goodRTU = "11 03 02 022B  38 F8"
)

// Every way in which an answer can be wrong. After each the session is over:
// another read fails at once and asks nobody.
func TestBrokenAnswersEndTheSession(t *testing.T) {
	whole := func(text string) [][]byte { return [][]byte{frame(text)} }
	tests := []struct {
		name   string
		scheme string
		do     step
		want   reading.Outcome
	}{
		{"tcp: no answer", "tcp", step{}, reading.Timeout},
		{"tcp: the peer closes instead", "tcp", step{hang: true}, reading.Reset},
		{"tcp: the peer resets instead", "tcp", step{reset: true}, reading.Reset},
		{"tcp: closed in mid-frame", "tcp", step{send: whole("0001 0000 0005 11  03 02"), hang: true}, reading.Reset},
		{"tcp: stalled in the header", "tcp", step{send: whole("0001 0000")}, reading.Timeout},
		{"tcp: stalled in mid-frame", "tcp", step{send: whole("0001 0000 0005 11  03 02 02")}, reading.Timeout},
		{"tcp: another transaction", "tcp", step{send: whole("0002 0000 0005 11  03 02 022B")}, reading.Timeout},
		{"tcp: another protocol", "tcp", step{send: whole("0001 0007 0005 11  03 02 022B")}, reading.Timeout},
		{"tcp: a length of nothing", "tcp", step{send: whole("0001 0000 0001 11")}, reading.Garbled},
		{"tcp: a length beyond the protocol's", "tcp", step{send: whole("0001 0000 0100 11")}, reading.Garbled},
		{"tcp: another unit", "tcp", step{send: whole("0001 0000 0005 12  03 02 022B")}, reading.Garbled},
		{"tcp: another function", "tcp", step{send: whole("0001 0000 0005 11  04 02 022B")}, reading.Garbled},
		{"tcp: more registers than asked", "tcp", step{send: whole("0001 0000 0007 11  03 04 022B 0000")}, reading.Garbled},
		{"tcp: a byte count that lies", "tcp", step{send: whole("0001 0000 0005 11  03 04 022B")}, reading.Garbled},
		{"tcp: an exception without a code", "tcp", step{send: whole("0001 0000 0002 11  83")}, reading.Garbled},
		{"tcp: an exception 00", "tcp", step{send: whole("0001 0000 0003 11  83 00")}, reading.Garbled},
		{"rtu: no answer", "rtuovertcp", step{}, reading.Timeout},
		{"rtu: the peer closes instead", "rtuovertcp", step{hang: true}, reading.Reset},
		{"rtu: closed in mid-frame", "rtuovertcp", step{send: whole("11 03 02 02"), hang: true}, reading.Garbled},
		{"rtu: stalled in the header", "rtuovertcp", step{send: whole("11 03")}, reading.Timeout},
		{"rtu: stalled in mid-frame", "rtuovertcp", step{send: whole("11 03 02 02")}, reading.Timeout},
		{"rtu: wrong CRC", "rtuovertcp", step{send: whole("11 03 02 022B  38 F9")}, reading.Garbled},
		{"rtu: another unit", "rtuovertcp", step{send: whole("12 03 02 022B  7C F8")}, reading.Garbled},
		{"rtu: the answer to a request of three", "rtuovertcp", step{send: whole("11 03 06 022B 0000 0064  C8 BA")}, reading.Garbled},
		{"rtu: a function nobody knows", "rtuovertcp", step{send: whole("11 42 02 022B  38 F8")}, reading.Garbled},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			timeout := patient
			if test.want == reading.Timeout {
				timeout = hasty
			}
			session := open(t, test.scheme, peer(t, test.do), timeout)
			ended(t, one(session), test.want, 0)
			begin := time.Now()
			ended(t, one(session), reading.Reset, 0)
			if took := time.Since(begin); took > hasty/2 {
				t.Errorf("a read after the end took %v", took)
			}
		})
	}
}

// A late answer on a transport without numbers has nowhere to go: the session
// that asked is over, and the next one is another connection.
func TestLateAnswerHasNowhereToGo(t *testing.T) {
	for scheme, good := range map[string]string{"tcp": goodTCP, "rtuovertcp": goodRTU} {
		late := frame(strings.Replace(good, "022B", "DEAD", 1))
		if scheme == "rtuovertcp" {
			late = frame("11 03 02 DEAD  E1 9A")
		}
		address := peer(t,
			step{send: [][]byte{nil, late}, gap: 2 * hasty, hang: true},
			step{send: [][]byte{frame(good)}})
		first := open(t, scheme, address, hasty)
		ended(t, one(first), reading.Timeout, 0)
		second := open(t, scheme, address, patient)
		var word [1]uint16
		if err := second.Read(0x11, decode.Holding, 0x6B, 1, word[:]); err != nil || word[0] != 0x022B {
			t.Errorf("%s: %04X, %v; want 022B", scheme, word[0], err)
		}
	}
}

// A peer that sends a byte now and then does not hold a read up.
func TestTricklingBytes(t *testing.T) {
	for scheme, good := range map[string]string{"tcp": goodTCP, "rtuovertcp": goodRTU} {
		t.Run(scheme, func(t *testing.T) {
			t.Parallel()
			var drops [][]byte
			for _, b := range frame(good) {
				drops = append(drops, []byte{b})
			}
			session := open(t, scheme, peer(t, step{send: drops, gap: hasty / 3}), hasty)
			begin := time.Now()
			err := one(session)
			if took := time.Since(begin); took > 3*hasty {
				t.Errorf("the read took %v; its time-out is %v", took, hasty)
			}
			ended(t, err, reading.Timeout, 0)
		})
	}
}

// A peer that floods with answers of other transactions does not, either.
func TestFloodOfOtherTransactions(t *testing.T) {
	var flood []byte
	for range 5000 {
		flood = append(flood, frame("0002 0000 0005 11  03 02 022B")...)
	}
	session := open(t, "tcp", peer(t, step{send: [][]byte{flood}}), hasty)
	ended(t, one(session), reading.Timeout, 0)
}

// A connection that cannot be opened is no session, and nothing panics.
func TestOpenRefused(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	listener.Close()
	for _, o := range []Options{
		{Scheme: "tcp", Address: address},
		{Scheme: "rtuovertcp", Address: address},
		{Scheme: "rtu", Address: "/dev/there-is-no-such-line"},
		{Scheme: "carrier-pigeon", Address: address},
		{Scheme: "tcp+tls", Address: address, TLSCert: "/there/is/no/such/file"},
	} {
		o.Timeout = patient
		session, err := Open(context.Background(), o)
		if session != nil {
			t.Errorf("%s: a session came of it", o.Scheme)
		}
		ended(t, err, reading.Refused, 0)
	}
}

// UDP learns that nobody listens only when it reads.
func TestNobodyListensOnUDP(t *testing.T) {
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := socket.LocalAddr().String()
	socket.Close()
	ended(t, one(open(t, "udp", address, patient)), reading.Refused, 0)
}

// Over UDP each session has a socket of its own, so what comes late for one
// does not reach the next, though their numbers are the same.
func TestUDP(t *testing.T) {
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	address := socket.LocalAddr().String()
	request := make([]byte, 300)

	first := open(t, "udp", address, hasty)
	ended(t, one(first), reading.Timeout, 0)
	_, asker, err := socket.ReadFrom(request)
	if err != nil {
		t.Fatal(err)
	}
	second := open(t, "udp", address, patient)
	answered := make(chan error)
	var word [1]uint16
	go func() { answered <- second.Read(0x11, decode.Holding, 0x6B, 1, word[:]) }()
	_, now, err := socket.ReadFrom(request)
	if err != nil {
		t.Fatal(err)
	}
	socket.WriteTo(frame("0001 0000 0005 11  03 02 DEAD"), asker)
	socket.WriteTo(frame(goodTCP), now)
	if err := <-answered; err != nil || word[0] != 0x022B {
		t.Errorf("%04X, %v; want 022B", word[0], err)
	}
}

// Opening gives up when its context ends, and what comes of it later is closed.
func TestOpenIsBoundedByItsContext(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	address := peer(t, step{})
	session, err := Open(ctx, Options{Scheme: "tcp", Address: address, Timeout: patient})
	if err == nil { // it may have been quicker than the look at the context
		session.Close()
	} else {
		ended(t, err, reading.Refused, 0)
	}
	ctx, cancel = context.WithTimeout(context.Background(), time.Nanosecond)
	defer cancel()
	<-ctx.Done()
	if _, err = Open(ctx, Options{Scheme: "tcp", Address: address, Timeout: patient}); err != nil {
		ended(t, err, reading.Timeout, 0)
	}
}

// A connection that the library opens after Open has given up is closed as it
// comes.
func TestAbandonedConnectionIsClosed(t *testing.T) {
	id := newIdentity(t, "fanwarden")
	listener, err := tls.Listen("tcp", "127.0.0.1:0", &tls.Config{Certificates: []tls.Certificate{id.pair}})
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	session, err := Open(ctx, Options{Scheme: "tcp+tls", Address: listener.Addr().String(), Timeout: patient,
		TLSCert: id.cert, TLSKey: id.key, TLSCA: id.cert})
	if err == nil { // the connection stood before anybody looked at the context
		session.Close()
	}
	conn, err := listener.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetReadDeadline(time.Now().Add(patient))
	if _, err := conn.Read(make([]byte, 1)); err != io.EOF {
		t.Errorf("%v; want the end of the connection", err)
	}
}

// The pause of a serial line is kept over TCP as well, by the speed of the line
// behind the gateway; where that is not known there is none.
func TestPausesFollowTheLine(t *testing.T) {
	quickest := func(baud int) time.Duration {
		var steps []step
		for range 20 {
			steps = append(steps, step{send: [][]byte{frame(goodRTU)}})
		}
		session, err := Open(context.Background(), Options{Scheme: "rtuovertcp", Address: peer(t, steps...), Timeout: patient, Baud: baud})
		if err != nil {
			t.Fatal(err)
		}
		defer session.Close()
		least := time.Hour
		for i := range steps {
			begin := time.Now()
			if err := one(session); err != nil {
				t.Fatal(err)
			}
			if i > 0 { // nothing came before the first
				least = min(least, time.Since(begin))
			}
		}
		return least
	}
	if took := quickest(9600); took < 4*time.Millisecond {
		t.Errorf("an exchange at 9600 baud took %v; the pause before it alone takes 4.01 ms", took)
	}
	if took := quickest(0); took > 4*time.Millisecond {
		t.Errorf("an exchange at a speed that is not known took %v at least; there is no pause to keep", took)
	}
}

// 3.5 characters of 11 bits up to 19200 baud, 1.75 ms above (Modbus over Serial
// Line V1.02, section 2.5.1.1).
func TestSilence(t *testing.T) {
	for baud, want := range map[int]time.Duration{0: 0, 1200: 32083 * time.Microsecond, 9600: 4010 * time.Microsecond,
		19200: 2005 * time.Microsecond, 38400: 1750 * time.Microsecond, 115200: 1750 * time.Microsecond} {
		if got := silence(baud).Truncate(time.Microsecond); got != want {
			t.Errorf("%d baud: %v; want %v", baud, got, want)
		}
	}
}

// Closing twice does no harm.
func TestCloseTwice(t *testing.T) {
	session := open(t, "tcp", peer(t, step{}), patient)
	if err := session.Close(); err != nil {
		t.Error(err)
	}
	if err := session.Close(); err != nil {
		t.Error(err)
	}
	ended(t, one(session), reading.Reset, 0)
}

// What the library has to say goes to our log and only at debug level.
func TestLibraryWritesToOurLog(t *testing.T) {
	core, logged := observer.New(zapcore.DebugLevel)
	socket, err := net.ListenPacket("udp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	go func() {
		if _, asker, err := socket.ReadFrom(make([]byte, 300)); err == nil {
			socket.WriteTo(frame("0002 0000 0005 11  03 02 022B"), asker)
			socket.WriteTo(frame(goodTCP), asker)
		}
	}()
	session, err := Open(context.Background(), Options{Scheme: "udp", Address: socket.LocalAddr().String(), Timeout: patient, Log: zap.New(core)})
	if err != nil {
		t.Fatal(err)
	}
	defer session.Close()
	if err := one(session); err != nil {
		t.Fatal(err)
	}
	if logged.FilterMessageSnippet("unexpected transaction id").FilterLevelExact(zapcore.DebugLevel).Len() != 1 {
		t.Errorf("logged %v", logged.All())
	}
}

// select(2) waits for descriptors below 1024 only.
func TestDescriptorBeyondSelect(t *testing.T) {
	if err := checkDescriptor(1023); err != nil {
		t.Error(err)
	}
	if err := checkDescriptor(1024); err == nil || !strings.Contains(err.Error(), "too many connections") {
		t.Errorf("%v", err)
	}
}
