package web

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

// told is one event as a browser takes it.
type told struct {
	id, event string
	data      map[string]any
}

// eventsOf reads the events of a stream as a browser does.
func eventsOf(body io.Reader) <-chan told {
	events := make(chan told)
	go func() {
		defer close(events)
		var one told
		lines := bufio.NewScanner(body)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			field, value, _ := strings.Cut(lines.Text(), ": ")
			switch field {
			case "id":
				one.id = value
			case "event":
				one.event = value
			case "data":
				_ = json.Unmarshal([]byte(value), &one.data)
			case "":
				if one.event != "" {
					events <- one
				}
				one = told{}
			}
		}
	}()
	return events
}

// bubbled is a stream within a bubble of synthetic time: what is written comes
// out of a pipe.
type bubbled struct {
	http.ResponseWriter
	pipe *io.PipeWriter
}

func (b *bubbled) Write(p []byte) (int, error) { return b.pipe.Write(p) }

// Flush has nothing to do: the pipe holds nothing back.
func (b *bubbled) Flush() {}

// streaming asks for a stream within a bubble. It returns its events and what
// ends it from the other side.
func streaming(h http.Handler, r *http.Request) (events <-chan told, leave func()) {
	body, pipe := io.Pipe()
	ctx, cancel := context.WithCancel(r.Context())
	go func() {
		h.ServeHTTP(&bubbled{httptest.NewRecorder(), pipe}, r.WithContext(ctx))
		pipe.Close()
	}()
	return eventsOf(body), func() { cancel(); synctest.Wait() }
}

// within returns the events that come within a time.
func within(events <-chan told, d time.Duration) (names string, open bool) {
	var all []string
	end := time.After(d)
	for {
		select {
		case e, more := <-events:
			if !more {
				return strings.Join(all, " "), false
			}
			all = append(all, e.event)
		case <-end:
			return strings.Join(all, " "), true
		}
	}
}

// clocked returns options whose clock is that of the bubble.
func clocked(snapshot func() *export.Snapshot, access func() config.Web) Options {
	return Options{Snapshot: snapshot, Now: time.Now, Metrics: http.HandlerFunc(metricsOf), Access: access}
}

func TestAStreamBeatsAndTellsWhatIsNew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var now atomic.Pointer[export.Snapshot]
		now.Store(sample.Campus())
		h := Handler(clocked(now.Load, nil))
		events, leave := streaming(h, httptest.NewRequest("GET", "/api/v1/events?topic=summary&topic=marks", nil))
		first, second := <-events, <-events
		if first.event != "beat" || first.id != "1" || first.data["ready"] != false || first.data["newest"] != "2026-01-05T06:31:08Z" || second.id != "2" {
			t.Errorf("%v, %v", first, second)
		}
		if got, _ := within(events, 500*time.Millisecond); got != "marks" {
			t.Errorf("at once come beat, summary and %q", got)
		}
		if got, _ := within(events, 4*time.Second); got != "beat beat" {
			t.Errorf("where nothing changes, four seconds bring %q", got)
		}
		now.Store(sample.Large(3))
		if got, open := within(events, time.Second); got != "summary marks" || !open {
			t.Errorf("another fleet brings %q", got)
		}
		leave()
		if got, open := within(events, time.Second); open {
			t.Errorf("who has left is still told %q", got)
		}
	})
}

func TestAStreamEndsWithItsLogin(t *testing.T) {
	full := sample.Campus()
	closed := people(t)
	closed.ReadingNeedsLogin = true
	changed, other := people(t), people(t)
	changed.ReadingNeedsLogin, other.ReadingNeedsLogin = true, true
	delete(changed.Users, "lee")
	delete(changed.Tokens, "tickets")
	other.Users["kim"] = closed.Users["kim"]
	other.Users["lee"] = hashed(t, "another")
	login := func(user, password string) *http.Request {
		r := httptest.NewRequest("GET", "/api/v1/events", nil)
		if user != "" {
			r.SetBasicAuth(user, password)
		}
		return r
	}
	machine := login("", "")
	machine.Header.Set("Authorization", "Bearer "+token)
	open := people(t)
	changed.Users["kim"] = closed.Users["kim"]
	for name, c := range map[string]struct {
		before, after config.Web
		r             *http.Request
		stays         bool
	}{
		"the same login":      {closed, changed, login("kim", kimsPassword), true},
		"no longer a user":    {closed, changed, login("lee", "battery staple"), false},
		"another password":    {closed, other, login("lee", "battery staple"), false},
		"no longer a token":   {closed, changed, machine, false},
		"reading was closed":  {open, closed, login("", ""), false},
		"reading stays open":  {open, open, login("", ""), true},
		"reading became open": {closed, open, login("kim", kimsPassword), true},
	} {
		synctest.Test(t, func(t *testing.T) {
			var access atomic.Pointer[config.Web]
			access.Store(&c.before)
			h := Handler(clocked(func() *export.Snapshot { return full }, func() config.Web { return *access.Load() }))
			events, leave := streaming(h, c.r)
			if got, open := within(events, 1500*time.Millisecond); !open || !strings.HasPrefix(got, "beat summary alarms") {
				t.Errorf("%s: it began with %q", name, got)
			}
			access.Store(&c.after)
			if _, open := within(events, 1500*time.Millisecond); open != c.stays {
				t.Errorf("%s: it goes on: %v", name, open)
			}
			leave()
			within(events, time.Second)
		})
	}
}

func TestStreamsAreBounded(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		full := sample.Campus()
		h := Handler(clocked(func() *export.Snapshot { return full }, nil))
		ask := func() *http.Request { return httptest.NewRequest("GET", "/api/v1/events", nil) }
		var leaves []func()
		var all []<-chan told
		for range mostStreams {
			events, leave := streaming(h, ask())
			<-events
			leaves, all = append(leaves, leave), append(all, events)
			go func() {
				for range events {
				}
			}()
		}
		brief, end := context.WithTimeout(t.Context(), time.Second)
		defer end()
		w := answered(h, ask().WithContext(brief))
		if w.Code != 503 || !strings.Contains(w.Body.String(), "64 pages follow the daemon already; close one") || w.Header().Get("Retry-After") == "" {
			t.Errorf("one more: %d %s", w.Code, w.Body)
		}
		leaves[0]()
		events, leave := streaming(h, ask())
		if one := <-events; one.event != "beat" {
			t.Errorf("after one has left: %v", one)
		}
		go func() {
			for range events {
			}
		}()
		for _, leave := range append(leaves, leave) {
			leave()
		}
	})
}

// serving runs the server as the daemon does, but with limits that are over at
// once.
func serving(t *testing.T, h http.Handler, secure bool) (url string, client *http.Client, server *http.Server) {
	t.Helper()
	server = NewServer("", h)
	server.ReadTimeout, server.WriteTimeout, server.ReadHeaderTimeout = 300*time.Millisecond, 300*time.Millisecond, 300*time.Millisecond
	transport := &http.Transport{}
	scheme := "http"
	if secure {
		pair := httptest.NewUnstartedServer(nil)
		pair.StartTLS()
		t.Cleanup(pair.Close)
		scheme, server.TLSConfig = "https", &tls.Config{Certificates: pair.TLS.Certificates, NextProtos: []string{"h2", "http/1.1"}}
		transport.TLSClientConfig, transport.ForceAttemptHTTP2 = &tls.Config{InsecureSkipVerify: true}, true
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = Serve(server, listener) }()
	t.Cleanup(func() { server.Close(); transport.CloseIdleConnections() })
	return scheme + "://" + listener.Addr().String(), &http.Client{Transport: transport}, server
}

// The limits of the server are for requests; a stream outlives them, and ends
// when the server does.
func TestAStreamOutlivesTheServersLimits(t *testing.T) {
	full := sample.Campus()
	for name, secure := range map[string]bool{"plain": false, "TLS": true} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			url, client, server := serving(t, Handler(clocked(func() *export.Snapshot { return full }, nil)), secure)
			response, err := client.Get(url + "/api/v1/events?topic=marks")
			if err != nil {
				t.Fatal(err)
			}
			defer response.Body.Close()
			if secure != (response.ProtoMajor == 2) || response.Header.Get("X-Accel-Buffering") != "no" {
				t.Errorf("%s, %v", response.Proto, response.Header)
			}
			events := eventsOf(response.Body)
			if got, open := within(events, 2500*time.Millisecond); !open || !strings.HasPrefix(got, "beat marks beat") {
				t.Errorf("%q came, and it goes on: %v", got, open)
			}
			began := time.Now()
			ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
			defer cancel()
			if err := server.Shutdown(ctx); err != nil {
				t.Errorf("the server does not end: %v", err)
			}
			if _, open := within(events, time.Second); open || time.Since(began) > 2*time.Second {
				t.Errorf("the stream goes on for %v", time.Since(began))
			}
		})
	}
}

// slow is a reader that takes so many bytes and then no more, until the deadline.
type slow struct {
	*httptest.ResponseRecorder
	takes     int
	deadlines []time.Time
}

func (s *slow) SetWriteDeadline(at time.Time) error {
	s.deadlines = append(s.deadlines, at)
	return nil
}

func (s *slow) Write(p []byte) (int, error) {
	if s.Body.Len()+len(p) > s.takes {
		time.Sleep(time.Until(s.deadlines[len(s.deadlines)-1]))
		return 0, os.ErrDeadlineExceeded
	}
	return s.ResponseRecorder.Write(p)
}

// Who takes nothing for a while is dropped, and who only is slow is not: each
// piece has its own time.
func TestAReaderWhoTakesNothingIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		large := sample.Large(10000)
		h := Handler(clocked(func() *export.Snapshot { return large }, nil))
		for _, takes := range []int{0, 5 * piece} {
			w, began := &slow{ResponseRecorder: httptest.NewRecorder(), takes: takes}, time.Now()
			h.ServeHTTP(w, httptest.NewRequest("GET", "/api/v1/events?topic=marks", nil))
			if took := time.Since(began); took != patience {
				t.Errorf("who takes %d bytes is waited for %v", takes, took)
			}
			if want := takes/piece + 1; len(w.deadlines) != want {
				t.Errorf("who takes %d bytes is given %d pieces, want %d", takes, len(w.deadlines), want)
			}
		}
	})
}
