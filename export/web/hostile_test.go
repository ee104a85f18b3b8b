package web

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/export/internal/sample"
)

// hall is a listener in memory, for bubbles of synthetic time.
type hall struct {
	calls  chan net.Conn
	once   sync.Once
	closed chan struct{}
}

func newHall() *hall { return &hall{calls: make(chan net.Conn), closed: make(chan struct{})} }

func (h *hall) Accept() (net.Conn, error) {
	select {
	case c := <-h.calls:
		return c, nil
	case <-h.closed:
		return nil, net.ErrClosed
	}
}

func (h *hall) Close() error   { h.once.Do(func() { close(h.closed) }); return nil }
func (h *hall) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 9640} }

// call connects; the far end waits until the server takes it.
func (h *hall) call() net.Conn {
	near, far := net.Pipe()
	go func() {
		select {
		case h.calls <- far:
		case <-h.closed:
			far.Close()
		}
	}()
	return near
}

// attacked runs a test against a server in synthetic time, and then ends it.
func attacked(t *testing.T, handler http.Handler, test func(t *testing.T, h *hall)) {
	synctest.Test(t, func(t *testing.T) {
		h := newHall()
		server := NewServer("127.0.0.1:9640", handler)
		ended := make(chan error)
		go func() { ended <- Serve(server, h) }()
		test(t, h)
		server.Close()
		if err := <-ended; !errors.Is(err, http.ErrServerClosed) {
			t.Error(err)
		}
	})
}

// lasts returns how long a connection lasts, and what came by it.
func lasts(t *testing.T, conn net.Conn) (time.Duration, string) {
	began := time.Now()
	conn.SetReadDeadline(began.Add(time.Hour))
	said, err := io.ReadAll(conn)
	if errors.Is(err, os.ErrDeadlineExceeded) {
		t.Error("the connection stays for an hour")
	}
	conn.Close()
	return time.Since(began), string(said)
}

// drip writes a byte a second for as long as somebody takes it.
func drip(conn net.Conn, text string) {
	for i := 0; ; i++ {
		if _, err := conn.Write([]byte{text[i%len(text)]}); err != nil {
			return
		}
		time.Sleep(time.Second)
	}
}

const ofHost = " HTTP/1.1\r\nHost: fans.example\r\n"

// Who is slow to ask is left in time, whatever is slow.
func TestSlowClients(t *testing.T) {
	tests := []struct {
		name  string
		first string
		then  string // a byte a second; "": nothing
		most  time.Duration
		says  string // begins what comes back
	}{
		{"says nothing", "", "", 5 * time.Second, ""},
		{"never ends its headers", "GET /api/v1/fleet" + ofHost, "X-A: b\r\n", 5 * time.Second, ""},
		{"never ends its first line", "GET /", "a", 5 * time.Second, ""},
		{"stops in its headers", "GET /api/v1/fleet" + ofHost + "X-", "", 5 * time.Second, ""},
		{"idles after a request", "GET /healthz" + ofHost + "\r\n", "", 2 * time.Minute, "HTTP/1.1 200"},
		{"sends a body by drips", "POST /api/v1/alarms/x/acknowledge" + ofHost + "Content-Type: application/json\r\nContent-Length: 4000\r\n\r\n{", " ",
			16 * time.Second, "HTTP/1.1 403"},
		{"sends chunks without end", "POST /api/v1/alarms/x/acknowledge" + ofHost + "Content-Type: application/json\r\nTransfer-Encoding: chunked\r\n\r\n",
			"1\r\n{\r\n", 16 * time.Second, "HTTP/1.1 403"},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			attacked(t, showing(sample.Campus()), func(t *testing.T, h *hall) {
				conn := h.call()
				go func() {
					io.WriteString(conn, test.first)
					if test.then != "" {
						drip(conn, test.then)
					}
				}()
				took, said := lasts(t, conn)
				time.Sleep(2 * time.Second) // who drips sees that it is over
				if took > test.most || !strings.HasPrefix(said, test.says) {
					t.Errorf("it lasts %v, want at most %v; it was told %q", took, test.most, said)
				}
			})
		})
	}
}

// Who asks for too much is told so at once.
func TestOversizedRequests(t *testing.T) {
	long := strings.Repeat("a", 64<<10)
	for name, text := range map[string]string{
		"a long url":      "GET /?" + long + ofHost + "\r\n",
		"a long header":   "GET /healthz" + ofHost + "X-A: " + long + "\r\n\r\n",
		"many headers":    "GET /healthz" + ofHost + strings.Repeat("X-A: b\r\n", 8<<10) + "\r\n",
		"a long method":   long + " /" + ofHost + "\r\n",
		"a long protocol": "GET / HTTP/" + long + "\r\n\r\n",
	} {
		t.Run(name, func(t *testing.T) {
			attacked(t, showing(sample.Campus()), func(t *testing.T, h *hall) {
				conn := h.call()
				go io.WriteString(conn, text)
				took, said := lasts(t, conn)
				if took > time.Second || !strings.HasPrefix(said, "HTTP/1.1 431") && !strings.HasPrefix(said, "HTTP/1.1 400") {
					t.Errorf("after %v it was told %.80q", took, said)
				}
			})
		})
	}
}

// Who takes nothing of an answer is left after a minute, and of events after their
// own time; the place is free then.
func TestStalledReaders(t *testing.T) {
	for path, most := range map[string]time.Duration{"/api/v1/fleet": time.Minute + time.Second, "/metrics": time.Minute + time.Second,
		"/api/v1/events?topic=summary": patience + 3*time.Second} {
		t.Run(path, func(t *testing.T) {
			var left chan time.Duration // of the bubble
			h := showing(sample.Campus())
			watched := http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				began := time.Now()
				h.ServeHTTP(w, r)
				http.NewResponseController(w).Flush() // what is small enough waits in a buffer until the handler ends
				left <- time.Since(began)
			})
			attacked(t, watched, func(t *testing.T, h *hall) {
				left = make(chan time.Duration, 1)
				conn := h.call()
				fmt.Fprint(conn, "GET "+path+ofHost+"\r\n")
				if took := <-left; took > most {
					t.Errorf("the handler was held for %v, want at most %v", took, most)
				}
				conn.Close()
			})
		})
	}
}

// Thousands who connect and say nothing take as many places as there are for as long
// as they may; then others have their turn.
func TestThousandsOfIdleClients(t *testing.T) {
	attacked(t, showing(sample.Campus()), func(t *testing.T, h *hall) {
		var idle []net.Conn
		for range 3 * mostConnections {
			idle = append(idle, h.call())
		}
		synctest.Wait()
		began := time.Now()
		conn := h.call()
		fmt.Fprint(conn, "GET /healthz"+ofHost+"\r\n")
		answer, err := http.ReadResponse(bufio.NewReader(conn), nil)
		if err != nil || answer.StatusCode != http.StatusOK {
			t.Fatal(err)
		}
		if took := time.Since(began); took > 16*time.Second {
			t.Errorf("it had to wait for %v", took)
		}
		for _, c := range append(idle, conn) {
			c.Close()
		}
	})
}

// No more than the bound are open at once, a place that is given back is taken
// again, and a listener that is closed lets nobody wait.
func TestBound(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		h := newHall()
		b := bound(h, 2)
		first := make([]net.Conn, 3)
		for i := range 3 {
			first[i] = h.call()
		}
		one, _ := b.Accept()
		b.Accept()
		third := make(chan error, 1)
		go func() { _, err := b.Accept(); third <- err }()
		synctest.Wait()
		if len(third) > 0 {
			t.Fatal("a third of two was taken")
		}
		one.Close()
		one.Close() // twice gives one place back
		synctest.Wait()
		if len(third) != 1 || <-third != nil {
			t.Fatal("the place that was left was not taken")
		}
		go func() { _, err := b.Accept(); third <- err }()
		synctest.Wait()
		b.Close()
		if err := <-third; !errors.Is(err, net.ErrClosed) {
			t.Errorf("%v", err)
		}
		for _, c := range first {
			c.Close()
		}
	})
}
