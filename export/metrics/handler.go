package metrics

import (
	"bytes"
	"io"
	"log"
	"net/http"
	"strconv"
	"strings"
	"sync"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/common/expfmt"
)

// Handler serves the fleet's metrics together with those of the process and of
// the Go runtime, as text or protobuf, plain, gzip or zstd, as the scraper
// asks. What goes wrong at a scrape is written to the log.
//
// A scrape is made up in memory before it is sent: a scraper that reads slowly,
// or not at all, must not keep the gatherer from the next one.
func Handler(g *Gatherer, errors *log.Logger) http.Handler {
	own := prometheus.NewRegistry()
	own.MustRegister(collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	all := prometheus.NewMultiTRegistry(g, prometheus.ToTransactionalGatherer(own))
	messages := promhttp.HandlerForTransactional(all, promhttp.HandlerOpts{
		ErrorLog: errors,
		// A runtime metric that fails must not take the fans' with it.
		ErrorHandling: promhttp.ContinueOnError,
		Registry:      own,
	})
	return &buffered{places: make(chan struct{}, atOnce), handler: &scrapes{fleet: g, own: own, messages: messages, errors: errors}}
}

// scrapes serves text by itself, which is what nearly every scraper asks for,
// and leaves what else there is to promhttp.
type scrapes struct {
	fleet    *Gatherer
	own      prometheus.Gatherer
	messages http.Handler
	errors   *log.Logger

	zstds, gzips sync.Pool // each holds a megabyte
}

// ServeHTTP serves one scrape.
func (s *scrapes) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	format := expfmt.Negotiate(r.Header)
	if format.FormatType() != expfmt.TypeTextPlain || r.URL.Query().Has("name[]") {
		s.messages.ServeHTTP(w, r)
		return
	}
	w.Header().Set("Content-Type", string(format))
	w.Header().Add("Vary", "Accept-Encoding")
	out, done := s.packed(w, r.Header)
	if err := s.write(out, format); err != nil {
		s.errors.Print("a scrape is not whole: ", err)
	}
	done()
}

// write writes all families as text. The fleet's stand before those of the
// process and the runtime, as their names have it.
func (s *scrapes) write(out io.Writer, format expfmt.Format) error {
	if err := s.fleet.Text(out); err != nil {
		return err
	}
	families, err := s.own.Gather() // some of them where there is an error
	if err != nil {
		s.errors.Print("metrics of the process: ", err)
	}
	encoder := expfmt.NewEncoder(out, format)
	for _, f := range families {
		if err := encoder.Encode(f); err != nil {
			return err
		}
	}
	return nil
}

// packed returns what packs the body in a way that the scraper takes, and what
// ends it. zstd takes a fraction of gzip's work, and is smaller.
func (s *scrapes) packed(w http.ResponseWriter, asked http.Header) (io.Writer, func()) {
	switch {
	case takes(asked, "zstd"):
		w.Header().Set("Content-Encoding", "zstd")
		z, _ := s.zstds.Get().(*zstd.Encoder)
		if z == nil {
			z, _ = zstd.NewWriter(nil, zstd.WithEncoderLevel(zstd.SpeedFastest), zstd.WithEncoderConcurrency(1)) // fails for unknown levels only
		}
		z.Reset(w)
		return z, func() { _ = z.Close(); s.zstds.Put(z) } // an error of the body shows when it is sent
	case takes(asked, "gzip"):
		w.Header().Set("Content-Encoding", "gzip")
		z, _ := s.gzips.Get().(*gzip.Writer)
		if z == nil {
			z, _ = gzip.NewWriterLevel(nil, gzip.BestSpeed) // likewise
		}
		z.Reset(w)
		return z, func() { _ = z.Close(); s.gzips.Put(z) }
	}
	return w, func() {}
}

// takes reports whether who asks can unpack an encoding (RFC 9110, section
// 12.5.3); a weight of 0 is a refusal.
func takes(asked http.Header, encoding string) bool {
	for _, list := range asked.Values("Accept-Encoding") {
		for _, one := range strings.Split(list, ",") {
			name, weight, _ := strings.Cut(one, ";")
			if strings.EqualFold(strings.TrimSpace(name), encoding) {
				_, q, given := strings.Cut(weight, "q=")
				value, err := strconv.ParseFloat(strings.TrimSpace(q), 64)
				return !given || err != nil || value > 0
			}
		}
	}
	return false
}

// atOnce is how many scrapes may be under way, those that a scraper still reads
// included. Each keeps its text in memory: 20 MB for ten thousand fans if the
// scraper takes no compression.
const atOnce = 10

// buffered makes up a response as a whole before the first byte is sent.
type buffered struct {
	handler http.Handler
	places  chan struct{}
	bodies  sync.Pool
}

// ServeHTTP serves one scrape, or answers 503 if too many are under way.
func (b *buffered) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	select {
	case b.places <- struct{}{}:
		defer func() { <-b.places }()
	default:
		w.Header().Set("Retry-After", "5")
		http.Error(w, "too many scrapes at once; scrape less often, or from fewer places", http.StatusServiceUnavailable)
		return
	}
	body, _ := b.bodies.Get().(*bytes.Buffer)
	if body == nil {
		body = new(bytes.Buffer)
	}
	defer b.bodies.Put(body)
	body.Reset()

	whole := &response{header: w.Header(), body: body, status: http.StatusOK}
	b.handler.ServeHTTP(whole, r)
	w.Header().Set("Content-Length", strconv.Itoa(body.Len()))
	w.WriteHeader(whole.status)
	_, _ = w.Write(body.Bytes()) // a scraper that has gone away is its own affair
}

// response is a response that is kept in memory.
type response struct {
	header http.Header
	body   *bytes.Buffer
	status int
}

// Header returns the headers that will be sent.
func (r *response) Header() http.Header { return r.header }

// WriteHeader keeps the status.
func (r *response) WriteHeader(status int) { r.status = status }

// Write keeps a part of the body.
func (r *response) Write(part []byte) (int, error) { return r.body.Write(part) }
