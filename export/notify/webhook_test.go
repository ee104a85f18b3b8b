package notify

import (
	"context"
	"crypto/hmac"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"fanwarden/config"
)

// genuine is what a receiver does to know that a message is ours, as the
// package's documentation describes it.
func genuine(r *http.Request, body, secret []byte, now time.Time) bool {
	at, err := strconv.ParseInt(r.Header.Get("X-Fanwarden-Time"), 10, 64)
	if err != nil || now.Sub(time.Unix(at, 0)).Abs() > 5*time.Minute {
		return false
	}
	want := "sha256=" + sign(secret, r.Header.Get("X-Fanwarden-Id"), r.Header.Get("X-Fanwarden-Time"), body)
	return hmac.Equal([]byte(r.Header.Get("X-Fanwarden-Signature")), []byte(want))
}

func TestAWebhookKnowsWhoCalls(t *testing.T) {
	secret := []byte("an invented secret")
	var got *http.Request
	var body []byte
	server := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		got = r
		body, _ = io.ReadAll(r.Body)
	}))
	defer server.Close()
	m := told(t, "Alder Hall, Bath risers 1: flat out and short of setpoint")
	w := &config.Way{ID: "desk", Webhook: server.URL + "/in?team=roofs", Secret: secret}
	if err := newHook("fanwarden/test").post(t.Context(), w, m, time.Now()); err != nil {
		t.Fatal(err)
	}
	if !genuine(got, body, secret, time.Now()) || string(body) != string(m.Body) {
		t.Errorf("headers %v, body %s", got.Header, body)
	}
	for name, spoil := range map[string]func(){
		"another secret": func() { secret = []byte("guessed") },
		"another body":   func() { body = append(body, ' ') },
		"another id":     func() { got.Header.Set("X-Fanwarden-Id", "2") },
		"an old one":     func() { got.Header.Set("X-Fanwarden-Time", strconv.FormatInt(time.Now().Add(-time.Hour).Unix(), 10)) },
	} {
		if spoil(); genuine(got, body, secret, time.Now()) {
			t.Errorf("%s is taken for genuine", name)
		}
	}
	if h := got.Header; h.Get("X-Fanwarden-Id") == "" || h.Get("Content-Type") != "application/json" || h.Get("User-Agent") != "fanwarden/test" ||
		got.URL.RawQuery != "team=roofs" || got.Method != http.MethodPost {
		t.Errorf("%s %s %v", got.Method, got.URL, h)
	}
	w.Secret = nil
	if err := newHook("fanwarden/test").post(t.Context(), w, m, time.Now()); err != nil || got.Header.Get("X-Fanwarden-Signature") != "" {
		t.Error(err, got.Header)
	}
}

// The value is from `printf 'm1.1767594670.{"a":1}' | openssl dgst -sha256 -hmac Jefe`.
func TestSignature(t *testing.T) {
	const want = "461cb4850f028e0b0fdd530893072ef33c1efed46b81baae74626196d60c3f0f"
	if got := sign([]byte("Jefe"), "m1", "1767594670", []byte(`{"a":1}`)); got != want {
		t.Errorf("got %s, want %s", got, want)
	}
}

func TestWhatAWebhookAnswers(t *testing.T) {
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("a message went to another host") }))
	defer elsewhere.Close()
	for name, c := range map[string]struct {
		answer func(w http.ResponseWriter, r *http.Request)
		want   string
		own    bool
		after  time.Duration
	}{
		"taken":          {answer: func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(http.StatusAccepted) }},
		"not understood": {answer: func(w http.ResponseWriter, _ *http.Request) { http.Error(w, "no\r\nfield", 400) }, want: "it answered 400 Bad Request no field", own: true},
		"not known":      {answer: func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(401) }, want: "401"},
		"too much": {answer: func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "90")
			w.WriteHeader(429)
		}, want: "429", after: 90 * time.Second},
		"too much until": {answer: func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Retry-After", "Mon, 05 Jan 1970 06:31:10 GMT") // long over
			w.WriteHeader(503)
		}, want: "503"},
		"moved away": {answer: func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(410) }, want: "410"},
		"a login page": {answer: func(w http.ResponseWriter, r *http.Request) {
			if r.Method == http.MethodPost {
				http.Redirect(w, r, "/login", http.StatusFound)
			}
		}, want: "would lose the message"},
		"sent within": {answer: func(w http.ResponseWriter, r *http.Request) {
			if body, _ := io.ReadAll(r.Body); r.URL.Path != "/in" {
				http.Redirect(w, r, "/in", http.StatusPermanentRedirect)
			} else if r.Method != http.MethodPost || len(body) == 0 || r.Header.Get("X-Fanwarden-Id") == "" {
				w.WriteHeader(400)
			}
		}},
		"down":        {answer: func(w http.ResponseWriter, _ *http.Request) { w.WriteHeader(503) }, want: "503"},
		"cut off":     {answer: func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }, want: "EOF"},
		"sent onward": {answer: func(w http.ResponseWriter, r *http.Request) { http.Redirect(w, r, elsewhere.URL, 307) }, want: "not followed"},
	} {
		t.Run(name, func(t *testing.T) {
			server := httptest.NewServer(http.HandlerFunc(c.answer))
			defer server.Close()
			err := newHook("fanwarden/test").post(t.Context(), &config.Way{Webhook: server.URL + "/secret-path"}, told(t, "Alder Hall"), time.Now())
			if c.want == "" != (err == nil) || err != nil && (!strings.Contains(err.Error(), c.want) || strings.Contains(err.Error(), "secret-path")) {
				t.Fatalf("%v, want %q", err, c.want)
			}
			r := (*refusal)(nil)
			if is := errors.As(err, &r); (is && !r.way) != c.own || retryAfter(err) != c.after {
				t.Errorf("%#v", err)
			}
		})
	}
}

func TestAWebhookOfAnAuthorityOfItsOwn(t *testing.T) {
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {}))
	defer server.Close()
	server.Config.ErrorLog, _ = zap.NewStdLogAt(zap.NewNop(), zap.ErrorLevel)
	w := &config.Way{Webhook: server.URL}
	if err := newHook("t").post(t.Context(), w, told(t, "x"), time.Now()); err == nil || !strings.Contains(err.Error(), "unknown authority") {
		t.Errorf("%v", err)
	}
	w.Roots = server.Client().Transport.(*http.Transport).TLSClientConfig.RootCAs
	if err := newHook("t").post(t.Context(), w, told(t, "x"), time.Now()); err != nil {
		t.Error(err)
	}
}

func TestHeartbeat(t *testing.T) {
	beats := make(chan string, 100)
	fail := make(chan bool, 1)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		select {
		case <-fail:
			w.WriteHeader(500)
		default:
		}
		beats <- r.Method + " " + string(body)
	}))
	defer server.Close()
	core, logged := observer.New(zap.InfoLevel)
	to := &config.Heartbeat{URL: server.URL, Every: time.Minute}
	well := true
	h := NewHeartbeat(func() *config.Heartbeat { return to }, func() (Beat, bool) {
		return Beat{Site: "Harbor College", Version: "1.2.3", Time: night, Standing: 3}, well
	}, "1.2.3", zap.New(core))
	h.call(t.Context(), to)
	if got, want := <-beats, `POST {"site":"Harbor College","version":"1.2.3","time":"2026-01-05T06:31:10Z","standing":3}`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
	fail <- true
	h.call(t.Context(), to)
	h.call(t.Context(), to)
	if logged.FilterMessage("the heartbeat is not heard").Len() != 1 || logged.FilterMessage("the heartbeat is heard again").Len() != 1 {
		t.Errorf("%v", logged.All())
	}
	well = false // the daemon lives and reads nothing
	h.call(t.Context(), to)
	h.call(t.Context(), to)
	if len(beats) != 2 || logged.FilterMessageSnippet("no heartbeat is sent").Len() != 1 {
		t.Errorf("%d beats, %v", len(beats), logged.All())
	}
	well = true
	h.call(t.Context(), to)
	if len(beats) != 3 || logged.FilterMessageSnippet("goes on").Len() != 1 {
		t.Errorf("%d beats, %v", len(beats), logged.All())
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	h.Run(ctx) // ends at once
}

// The dates are RFC 9110's own, section 5.6.7.
func TestHowLongAReceiverWantsToWait(t *testing.T) {
	now := time.Date(1994, 11, 6, 8, 49, 0, 0, time.UTC)
	for text, want := range map[string]time.Duration{"": 0, "120": 2 * time.Minute, "-1": 0, "soon": 0, "99999999999": 0,
		"Sun, 06 Nov 1994 08:49:37 GMT": 37 * time.Second, "Sunday, 06-Nov-94 08:49:37 GMT": 37 * time.Second, "Sun, 06 Nov 1994 08:48:37 GMT": 0} {
		if got := wanted(text, now); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

// answering answers requests itself.
type answering func() int

func (c answering) RoundTrip(r *http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: c(), Body: http.NoBody, Request: r}, nil
}

func TestHowOftenTheHeartBeats(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		n := 0
		to := &config.Heartbeat{URL: "http://monitor.example/", Every: time.Minute}
		h := NewHeartbeat(func() *config.Heartbeat { return to }, func() (Beat, bool) { return Beat{}, true }, "test", zap.NewNop())
		h.hook.client.Transport = answering(func() int { n++; return 200 })
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour-time.Second)
		defer cancel()
		if h.Run(ctx); n != 60 {
			t.Errorf("%d beats in an hour", n)
		}
	})
}

// The log says in plain words that a receiver takes too long.
func TestAWebhookThatTakesTooLong(t *testing.T) {
	done := make(chan struct{})
	server := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-done }))
	defer server.Close()
	defer close(done)
	h := newHook("fanwarden/test")
	h.client.Timeout = 20 * time.Millisecond
	err := h.post(t.Context(), &config.Way{ID: "pager", Webhook: server.URL}, told(t, "Alder Hall"), time.Now())
	if err == nil || err.Error() != "it did not answer within 20ms" {
		t.Errorf("%v", err)
	}
}
