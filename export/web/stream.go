package web

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"slices"
	"time"
)

// Bounds of the streams of events.
const (
	mostStreams = 64 // at once
	mostTopics  = 16 // of one stream
	// beatTicks is every how many seconds a stream beats, so that a page sees at
	// once that it is lost.
	beatTicks = 2
	// patience is how long a page may take to receive a piece. A peer that is gone
	// is dropped then. It is longer than a beat, so that no server's own limit of
	// an answer ends a stream.
	patience = 15 * time.Second
	piece    = 64 << 10
)

// message is one event of a stream; without data there is none.
type message struct {
	event string
	data  []byte
}

// beatAnswer says that the stream lives, and how old is what it shows.
type beatAnswer struct {
	Time   time.Time  `json:"time"`
	Taken  time.Time  `json:"taken"`
	Newest *time.Time `json:"newest"` // time of the newest good reading
	Ready  bool       `json:"ready"`
}

// serveEvents follows the topics that are asked for until who asks goes away, is
// no longer let in, or the daemon stops. A slow reader misses states and never
// sees an old one: each message is made of the newest picture.
func (s *site) serveEvents(w http.ResponseWriter, r *http.Request) {
	q := asked(r, "topic")
	topics := q.topics()
	if q.refused(w) {
		return
	}
	if s.snapshot() == nil {
		starting(w)
		return
	}
	select {
	case s.streams <- struct{}{}:
		defer func() { <-s.streams }()
	default:
		w.Header().Set("Retry-After", "5")
		answerJSON(w, http.StatusServiceUnavailable, errorAnswer{fmt.Sprintf(
			"%d pages follow the daemon already; close one and load this one again, or ask /api/v1/fleet now and then", mostStreams)})
		return
	}
	h := w.Header()
	h.Set("Content-Type", "text/event-stream")
	h.Set("X-Accel-Buffering", "no") // a proxy that gathers would hold back what is new
	if r.Method != http.MethodHead {
		s.follow(newStream(w), r, topics)
	}
}

// follow sends the topics' messages, on every full second by the clock, so that
// all streams look at the same picture.
func (s *site) follow(out *stream, r *http.Request, topics []topic) {
	stopping, letIn := stoppingOf(r.Context()), s.gate.letsIn(r)
	for tick := 0; letIn(); tick++ {
		p := s.picture()
		if tick%beatTicks == 0 {
			out.add(message{"beat", encoded(beatAnswer{utc(p.now), utc(p.snapshot.Taken), known(p.newest), p.snapshot.Ready})})
		}
		for _, t := range topics {
			out.add(t.next(p))
		}
		if out.send() != nil {
			return
		}
		second := time.NewTimer(time.Second - time.Duration(s.now().Nanosecond()))
		select {
		case <-second.C:
		case <-stopping:
			return
		case <-r.Context().Done():
			return
		}
	}
}

// stream writes events to one reader. They are not packed: a packer takes 1.2 MB for
// as long as its stream is open, and a proxy can do it.
type stream struct {
	w       http.ResponseWriter
	control *http.ResponseController
	unsent  bytes.Buffer
	id      uint64 // of the last message
}

// newStream lifts the limit within which a request must be read: what ends a
// stream is that nobody takes what it writes.
func newStream(w http.ResponseWriter) *stream {
	s := &stream{w: w, control: http.NewResponseController(w)}
	_ = s.control.SetReadDeadline(time.Time{}) // of a server; tests have none
	s.unsent.WriteString("retry: 2000\n\n")
	return s
}

func (s *stream) add(m message) {
	if m.data == nil {
		return
	}
	s.id++
	fmt.Fprintf(&s.unsent, "id: %d\nevent: %s\ndata: ", s.id, m.event)
	s.unsent.Write(m.data) // JSON has no line ends
	s.unsent.WriteString("\n\n")
}

// send writes what was added.
func (s *stream) send() error {
	if s.unsent.Len() == 0 {
		return nil
	}
	defer func() {
		if s.unsent.Reset(); s.unsent.Cap() > piece { // of a first message
			s.unsent = bytes.Buffer{}
		}
	}()
	for part := range slices.Chunk(s.unsent.Bytes(), piece) {
		_ = s.control.SetWriteDeadline(time.Now().Add(patience)) // likewise
		if _, err := s.w.Write(part); err != nil {
			return err
		}
	}
	return s.control.Flush()
}

// stoppingKey is where the context of every request of a server keeps what is
// closed once the server is to stop.
type stoppingKey struct{}

// stoppingOf returns what is closed when the server stops; nil, which never is,
// outside of a server.
func stoppingOf(ctx context.Context) <-chan struct{} {
	stopping, _ := ctx.Value(stoppingKey{}).(chan struct{})
	return stopping
}
