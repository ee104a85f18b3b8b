package modbus

import (
	"bytes"
	"context"
	"encoding/hex"
	"errors"
	"io"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"

	"fanwarden/poller/decode"
	"fanwarden/poller/reading"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// frame turns annotated hex into bytes: everything that is not a hex digit is
// there for the reader.
func frame(text string) []byte {
	raw, err := hex.DecodeString(strings.Join(strings.Fields(text), ""))
	if err != nil {
		panic(err)
	}
	return raw
}

// step is one exchange of a scripted peer: what it wants to hear, and what it
// does then.
type step struct {
	want []byte // nil: whatever comes
	send [][]byte
	gap  time.Duration // between the pieces that it sends
	hang bool          // close the connection afterwards
	// reset closes it with a reset rather than in good order.
	reset bool
}

// peer listens on the loopback and plays one script, connection after
// connection. It reports requests that it did not want.
func peer(t testing.TB, script ...step) (address string) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan struct{})
	var busy sync.WaitGroup
	busy.Go(func() {
		for len(script) > 0 {
			conn, err := listener.Accept()
			if err != nil {
				return
			}
			script = play(t, conn, script, done)
		}
		listener.Close()
	})
	t.Cleanup(func() {
		close(done)
		listener.Close()
		busy.Wait()
	})
	return listener.Addr().String()
}

// play serves one connection and returns what is left of the script.
func play(t testing.TB, conn net.Conn, script []step, done chan struct{}) []step {
	defer conn.Close()
	stop := make(chan struct{})
	defer close(stop)
	go func() {
		select {
		case <-done:
			conn.Close()
		case <-stop:
		}
	}()
	for len(script) > 0 {
		heard := make([]byte, 260)
		n, err := conn.Read(heard)
		if err != nil {
			return script
		}
		now := script[0]
		script = script[1:]
		if now.want != nil && !bytes.Equal(heard[:n], now.want) {
			t.Errorf("asked % X; want % X", heard[:n], now.want)
		}
		for i, piece := range now.send {
			if i > 0 && !rest(now.gap, done) {
				return nil
			}
			conn.Write(piece)
		}
		if now.reset {
			conn.(*net.TCPConn).SetLinger(0)
		}
		if now.hang || now.reset {
			return script
		}
	}
	io.Copy(io.Discard, conn) // until the other side closes
	return nil
}

// rest waits, unless the test is over.
func rest(d time.Duration, done chan struct{}) bool {
	select {
	case <-time.After(d):
		return true
	case <-done:
		return false
	}
}

// open connects a session to a peer.
func open(t testing.TB, scheme, address string, timeout time.Duration) *Session {
	t.Helper()
	session, err := Open(context.Background(), Options{Scheme: scheme, Address: address, Timeout: timeout})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { session.Close() })
	return session
}

// ended checks how a read ended.
func ended(t *testing.T, err error, outcome reading.Outcome, code uint8) {
	t.Helper()
	var failure *reading.Failure
	if !errors.As(err, &failure) {
		t.Fatalf("%v is no failure", err)
	}
	if failure.Outcome != outcome || failure.Code != code {
		t.Errorf("%v (code %02X); want %s (code %02X)", failure, failure.Code, outcome, code)
	}
}

// patient is a time-out that no healthy exchange on the loopback reaches, and
// hasty one for tests that wait for it.
const (
	patient = 5 * time.Second
	hasty   = 60 * time.Millisecond
)

// one reads a single holding register of unit 17 and gives up the value.
func one(s *Session) error {
	var word [1]uint16
	return s.Read(0x11, decode.Holding, 0x6B, 1, word[:])
}
