package metrics

import (
	"bytes"
	"log"
	"net/http"
	"strconv"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/prometheus/client_golang/prometheus/promhttp/zstd" // a fraction of gzip's work, and smaller
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
	return &buffered{places: make(chan struct{}, atOnce), handler: promhttp.HandlerForTransactional(all, promhttp.HandlerOpts{
		ErrorLog: errors,
		// A runtime metric that fails must not take the fans' with it.
		ErrorHandling: promhttp.ContinueOnError,
		Registry:      own,
	})}
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
