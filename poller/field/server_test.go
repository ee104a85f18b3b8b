package field

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"go.uber.org/goleak"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
	"fanwarden/poller/modbus"
	"fanwarden/poller/reading"
)

// patience bounds every wait for a socket.
const patience = 20 * time.Second

// freePort returns a port of the loopback that nobody listens on.
func freePort(t testing.TB) int {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer listener.Close()
	return listener.Addr().(*net.TCPAddr).Port
}

// paused is a speed at which a field does not move by itself, so that a test
// knows what it must read.
const paused = 1e-9

// serving serves a fleet until the test ends; nothing of it is left then.
func serving(t *testing.T, fleet *config.Fleet, faults ...Fault) *Server {
	t.Helper()
	before := goleak.IgnoreCurrent()
	f := New(fleet, 1, noon)
	for _, fault := range faults {
		if err := f.Put(fault); err != nil {
			t.Fatal(err)
		}
	}
	s, err := Serve(context.Background(), f, zap.NewNop(), ServeOptions{Seed: 1, Speed: paused})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		goleak.VerifyNone(t, before)
	})
	return s
}

// onOwnPort is a fleet of one gateway with so many fans, on a port of its own.
func onOwnPort(t *testing.T, scheme, timeout string, fans int) *config.Fleet {
	fleet := wideFleet(t, scheme, "", fans)
	g := fleet.Gateways[0]
	g.Address = fmt.Sprintf("127.0.0.1:%d", freePort(t))
	g.Timeout, _ = time.ParseDuration(timeout)
	return fleet
}

func session(t *testing.T, g *config.Gateway) (*modbus.Session, error) {
	t.Helper()
	s, err := modbus.Open(t.Context(), modbus.Options{Scheme: g.Scheme, Address: g.Address, Timeout: g.Timeout})
	if err == nil {
		t.Cleanup(func() { s.Close() })
	}
	return s, err
}

// failure wants a read to fail in one way.
func failure(t *testing.T, err error, outcome reading.Outcome, code uint8) {
	t.Helper()
	var f *reading.Failure
	if !errors.As(err, &f) || f.Outcome != outcome || f.Code != code {
		t.Errorf("%v; want %s, code %d", err, outcome, code)
	}
}

func one(s *modbus.Session, unit int) ([]uint16, error) {
	words := make([]uint16, 1)
	err := s.Read(unit, 2, 0, 1, words)
	return words, err
}

func TestAClientSeesASilentUnit(t *testing.T) {
	for scheme, want := range map[string]struct {
		outcome reading.Outcome
		code    uint8
	}{"tcp": {reading.UnitSilent, 0x0B}, "udp": {reading.UnitSilent, 0x0B}, "rtuovertcp": {reading.Timeout, 0}} {
		fleet := onOwnPort(t, scheme, "300ms", 2)
		serving(t, fleet, Fault{Fan: "f2", Kind: SilentUnit})
		line, err := session(t, fleet.Gateways[0])
		if err != nil {
			t.Fatal(err)
		}
		if words, err := one(line, 1); err != nil || words[0] == 0 {
			t.Errorf("%s: the unit that is heard: %04X, %v", scheme, words, err)
		}
		_, err = one(line, 2)
		failure(t, err, want.outcome, want.code)
	}
}

func TestAGatewayIsSwitchedOffAndOn(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "500ms", 1)
	s := serving(t, fleet)
	g := fleet.Gateways[0]
	line, err := session(t, g)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := one(line, 1); err != nil {
		t.Fatal(err)
	}
	if err := s.Put(Fault{Gateway: "g", Kind: GatewayOff}); err != nil {
		t.Fatal(err)
	}
	until(t, "the connection breaks", func() bool { _, err := one(line, 1); return err != nil })
	_, err = session(t, g)
	failure(t, err, reading.Refused, 0)
	if n := s.Clear("", "g", GatewayOff); n != 1 {
		t.Errorf("%d troubles ended; want 1", n)
	}
	until(t, "the gateway takes connections again", func() bool {
		line, err := session(t, g)
		if err != nil {
			return false
		}
		_, err = one(line, 1)
		return err == nil
	})
}

// until waits for what a server does on its own.
func until(t *testing.T, what string, holds func() bool) {
	t.Helper()
	ticker := time.NewTicker(10 * time.Millisecond)
	defer ticker.Stop()
	for deadline := time.After(patience); !holds(); {
		select {
		case <-ticker.C:
		case <-deadline:
			t.Fatalf("after %s: not yet that %s", patience, what)
		}
	}
}

func dialRaw(t *testing.T, g *config.Gateway) net.Conn {
	t.Helper()
	conn, err := net.Dial("tcp", g.Address)
	if err != nil {
		t.Fatal(err)
	}
	conn.SetDeadline(time.Now().Add(patience))
	t.Cleanup(func() { conn.Close() })
	return conn
}

// exchange asks in raw bytes and returns what comes first.
func exchange(conn net.Conn, asked string) ([]byte, error) {
	if _, err := conn.Write(octets(asked)); err != nil {
		return nil, err
	}
	come := make([]byte, 300)
	n, err := conn.Read(come)
	return come[:n], err
}

func TestRefusalsOnTheWire(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	serving(t, fleet)
	conn := dialRaw(t, fleet.Gateways[0])
	for _, test := range []struct{ asked, want string }{
		{"0001 0000 0006 01 03 007C 0002", "0001 0000 0003 01 83 02"}, // beyond the map
		{"0002 0000 0006 01 04 0000 0001", "0002 0000 0003 01 84 02"}, // a table that is not there
		{"0003 0000 0006 01 03 0000 007E", "0003 0000 0003 01 83 03"}, // 126 registers
		{"0004 0000 0006 01 06 0000 0001", "0004 0000 0003 01 86 01"}, // a write to what is read only
		{"0005 0000 0002 01 07", "0005 0000 0003 01 87 01"},           // a function that is not there
		{"0006 0000 0006 63 03 0000 0001", "0006 0000 0003 63 83 0B"}, // a unit that is not there
		{"0007 0000 0006 01 03 0001 0002", "0007 0000 0007 01 03 04 0000 0000"},
	} {
		if got, err := exchange(conn, test.asked); err != nil || !bytes.Equal(got, octets(test.want)) {
			t.Errorf("%s: % X, %v; want %s", test.asked, got, err, test.want)
		}
	}
}

// Broken serial frames are passed over, and what follows is answered.
func TestASerialStreamFindsItsFeetAgain(t *testing.T) {
	fleet := onOwnPort(t, "rtuovertcp", "200ms", 1)
	serving(t, fleet)
	conn := dialRaw(t, fleet.Gateways[0])
	broken := rtu{}.wrap(request{unit: 1}, octets("03 0000 0001"))
	broken[7] ^= 0x01
	conn.Write(broken)
	unknown := rtu{}.wrap(request{unit: 1}, []byte{0x07}) // tells no length
	until(t, "function 07 is refused", func() bool {
		conn.Write(unknown)
		conn.SetReadDeadline(time.Now().Add(200 * time.Millisecond))
		answer := make([]byte, 5)
		_, err := io.ReadFull(conn, answer)
		return err == nil && bytes.Equal(answer, rtu{}.wrap(request{unit: 1}, octets("87 01")))
	})
}

func TestLateAnswersComeLate(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "40ms", 1)
	serving(t, fleet, Fault{Gateway: "g", Kind: AnswersLate})
	conn := dialRaw(t, fleet.Gateways[0])
	twin, f := lineOf(fleet, 1) // draws what the served line draws
	if err := f.Put(Fault{Gateway: "g", Kind: AnswersLate}); err != nil {
		t.Fatal(err)
	}
	late := 0
	for i := range 30 {
		r := registers(1, 1)
		want := twin.deliver(r, read(twin, 1, 1)).after
		if want > fleet.Gateways[0].Timeout {
			late++
		}
		began := time.Now()
		if _, err := exchange(conn, "0001 0000 0006 01 03 0000 0001"); err != nil {
			t.Fatal(err)
		}
		if took := time.Since(began); took < want {
			t.Errorf("answer %d came after %s; want %s at least", i+1, took, want)
		}
	}
	if late == 0 {
		t.Error("30 answers, none later than the time-out")
	}
}

func TestResetsComeInTheMiddleOfAnAnswer(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	serving(t, fleet, Fault{Gateway: "g", Kind: ResetsConnections})
	conn := dialRaw(t, fleet.Gateways[0])
	for range 200 {
		conn.Write(octets("0001 0000 0006 01 03 0000 0001"))
		answer := make([]byte, 11)
		n, err := io.ReadFull(conn, answer)
		if err == nil {
			continue
		}
		if !errors.Is(err, syscall.ECONNRESET) || n > 5 {
			t.Errorf("%d bytes, then %v; want at most half of the answer and a reset", n, err)
		}
		return
	}
	t.Error("200 answers and no reset")
}

func TestOneConnectionAtATime(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	serving(t, fleet, Fault{Gateway: "g", Kind: LimitsConnections})
	const ask = "0001 0000 0006 01 03 0000 0001"
	another := func() error { // the reset may come before the connection stands
		conn, err := net.Dial("tcp", fleet.Gateways[0].Address)
		if err != nil {
			return err
		}
		defer conn.Close()
		conn.SetDeadline(time.Now().Add(patience))
		_, err = exchange(conn, ask)
		return err
	}
	first := dialRaw(t, fleet.Gateways[0])
	if _, err := exchange(first, ask); err != nil {
		t.Fatal(err)
	}
	if err := another(); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("a second connection: %v; want it broken off", err)
	}
	if _, err := exchange(first, ask); err != nil {
		t.Errorf("the first connection: %v", err)
	}
	first.Close()
	until(t, "the next connection is taken", func() bool { return another() == nil })
}

func TestGarbageIsTakenForNothingElse(t *testing.T) {
	for _, scheme := range []string{"tcp", "rtuovertcp"} {
		fleet := onOwnPort(t, scheme, "50ms", 1)
		s := serving(t, fleet, Fault{Gateway: "g", Kind: SendsGarbage})
		right, _ := s.ports[0].(*port).line.answer(registers(1, 1))
		bad := 0
		for range 40 {
			line, err := session(t, fleet.Gateways[0])
			if err != nil {
				t.Fatal(err)
			}
			words, err := one(line, 1)
			if err != nil {
				bad++
			} else if words[0] != binary.BigEndian.Uint16(right[2:]) {
				t.Errorf("%s: garbage is read as %04X", scheme, words[0])
			}
			line.Close()
		}
		if bad == 0 || bad == 40 {
			t.Errorf("%s: %d of 40 answers made no sense", scheme, bad)
		}
	}
}

func TestConnectionsAreTakenSideBySide(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	serving(t, fleet)
	var conns []net.Conn
	for range 20 {
		conns = append(conns, dialRaw(t, fleet.Gateways[0]))
	}
	for i := len(conns) - 1; i >= 0; i-- {
		if _, err := exchange(conns[i], "0001 0000 0006 01 03 0000 0001"); err != nil {
			t.Errorf("connection %d: %v", i, err)
		}
	}
}

func TestTheFieldKeepsStepWithTheClock(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	s, err := Serve(t.Context(), New(fleet, 1, noon), zap.NewNop(), ServeOptions{Speed: 100})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	until(t, "the field moves on", func() bool { return s.Now().Sub(noon) >= 20*time.Second })
}

func TestWhatIsNotServedIsNamed(t *testing.T) {
	fleet := fleetFrom(t, fmt.Sprintf(threeMaps, freePort(t), 1502, freePort(t)))
	fleet.Gateways[1].Address, fleet.Gateways[1].URL = "192.0.2.1:1502", "rtuovertcp://192.0.2.1:1502"
	fleet.Gateways[2].Scheme = "tcp+tls"
	core, logged := observer.New(zap.WarnLevel)
	s, err := Serve(t.Context(), New(fleet, 1, noon), zap.New(core), ServeOptions{Speed: paused})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	said := fmt.Sprint(logged.All()[0].ContextMap())
	if !strings.Contains(said, "two (rtuovertcp://192.0.2.1:1502 is not on this machine)") || !strings.Contains(said, "three (tcp+tls:// is not served)") {
		t.Errorf("the log says %s", said)
	}
	if served := s.Served(); len(served) != 1 || served[0].ID != "one" {
		t.Errorf("%d gateways are served", len(served))
	}
}

func TestNothingToServeOrNowhereToServeIt(t *testing.T) {
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	taken, err := net.Listen("tcp", fleet.Gateways[0].Address)
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	if _, err := Serve(t.Context(), New(fleet, 1, noon), zap.NewNop(), ServeOptions{}); !errors.Is(err, syscall.EADDRINUSE) && !errors.Is(err, os.ErrPermission) {
		t.Errorf("on a port that is taken: %v", err)
	}
	fleet.Gateways[0].Address = "192.0.2.1:502"
	if _, err := Serve(t.Context(), New(fleet, 1, noon), zap.NewNop(), ServeOptions{}); err == nil || !strings.Contains(err.Error(), "no gateway has a url on the loopback") {
		t.Errorf("without a loopback url: %v", err)
	}
}

func TestEveryKindIsExplained(t *testing.T) {
	explained := Catalogue()
	all := Kinds()
	if len(explained) != len(all) {
		t.Fatalf("%d kinds are explained of %d", len(explained), len(all))
	}
	for i, k := range all {
		if explained[i].Kind != k || (explained[i].Of == "fan") != k.OfFan() || explained[i].What == "" {
			t.Errorf("%s is explained as %+v", k, explained[i])
		}
	}
}

func TestAServerEndsWithItsContext(t *testing.T) {
	defer goleak.VerifyNone(t, goleak.IgnoreCurrent())
	fleet := onOwnPort(t, "tcp", "200ms", 1)
	ctx, cancel := context.WithCancel(t.Context())
	s, err := Serve(ctx, New(fleet, 1, noon), zap.NewNop(), ServeOptions{Speed: paused})
	if err != nil {
		t.Fatal(err)
	}
	conn := dialRaw(t, fleet.Gateways[0])
	if _, err := exchange(conn, "0001 0000 0006 01 03 0000 0001"); err != nil {
		t.Fatal(err)
	}
	cancel()
	if n, err := conn.Read(make([]byte, 1)); err == nil || errors.Is(err, os.ErrDeadlineExceeded) {
		t.Errorf("%d bytes, %v; want the connection closed", n, err)
	}
	s.Close()
	s.Close()
}
