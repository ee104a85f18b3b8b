package main

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"fanwarden/export/notify"
)

// manner is how receivers treat the daemon.
type manner int32

const (
	taking  manner = iota // they take what comes
	refuse                // they answer that they are out of order
	slow                  // they take it after two seconds
	silent                // they take it and never say so
	breaks                // they break the connection
	manners = int(breaks) + 1
)

// receivers are all webhooks, and where the daemon's heartbeat goes.
type receivers struct {
	url    string
	server *http.Server
	manner atomic.Int32
	found  func(format string, args ...any)

	mu       sync.Mutex
	texts    map[string]string          // by the id of a message
	told     map[string]map[string]bool // alarm, change
	messages int
	again    int // messages that came more than once
	beat     time.Time
}

func openReceivers(found func(string, ...any)) (*receivers, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	r := &receivers{url: "http://" + l.Addr().String(), found: found, texts: make(map[string]string), told: make(map[string]map[string]bool)}
	mux := http.NewServeMux()
	mux.HandleFunc("/way/{id}", r.take)
	mux.HandleFunc("/heartbeat", func(http.ResponseWriter, *http.Request) {
		r.mu.Lock()
		defer r.mu.Unlock()
		r.beat = time.Now()
	})
	r.server = &http.Server{Handler: mux, ReadHeaderTimeout: 5 * time.Second}
	go r.server.Serve(l)
	return r, nil
}

func (r *receivers) set(m manner) { r.manner.Store(int32(m)) }

func (r *receivers) take(w http.ResponseWriter, request *http.Request) {
	switch manner(r.manner.Load()) {
	case refuse:
		http.Error(w, "out of order", http.StatusServiceUnavailable)
		return
	case breaks:
		panic(http.ErrAbortHandler)
	case slow:
		time.Sleep(2 * time.Second)
	case silent:
		r.note(request)
		<-request.Context().Done()
		return
	}
	r.note(request)
}

// note takes down what a message tells, and whether it is genuine.
func (r *receivers) note(request *http.Request) {
	body, err := io.ReadAll(request.Body)
	var m notify.Message
	if err != nil || json.Unmarshal(body, &m) != nil {
		return // cut off by a kill: it comes again
	}
	id, at := request.Header.Get("X-Fanwarden-Id"), request.Header.Get("X-Fanwarden-Time")
	mac := hmac.New(sha256.New, []byte(secret))
	fmt.Fprintf(mac, "%s.%s.%s", id, at, body)
	if sign := "sha256=" + hex.EncodeToString(mac.Sum(nil)); sign != request.Header.Get("X-Fanwarden-Signature") || id != m.ID {
		r.found("a message to %s is not signed as it should be: %s", request.URL.Path, body)
	}
	building := request.PathValue("id")
	r.mu.Lock()
	defer r.mu.Unlock()
	r.messages++
	if text, known := r.texts[m.ID]; known {
		r.again++
		if text != m.Text {
			r.found("message %s came with another text: %q, then %q", m.ID, text, m.Text)
		}
	}
	r.texts[m.ID] = m.Text
	for _, a := range m.Alarms {
		if a.Building.ID != building {
			r.found("the way of %s was told of %s", building, a.ID)
		}
		if r.told[a.ID] == nil {
			r.told[a.ID] = make(map[string]bool)
		}
		r.told[a.ID][string(a.Change)] = true
	}
}

// heard reports whether a receiver was told of an alarm, and that it is over.
func (r *receivers) heard(alarm string) (raised, over bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	told := r.told[alarm]
	return told[string(notify.Raised)] || told[string(notify.Chattering)], told[string(notify.Returned)]
}

func (r *receivers) String() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	return fmt.Sprintf("%d messages about %d alarms, %d of them came again", r.messages, len(r.told), r.again)
}

func (r *receivers) lastBeat() time.Time {
	r.mu.Lock()
	defer r.mu.Unlock()
	return r.beat
}

func (r *receivers) close() { r.server.Close() }
