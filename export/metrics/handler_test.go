package metrics

import (
	"compress/gzip"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/klauspost/compress/zstd"

	"fanwarden/export"
	"fanwarden/export/internal/sample"
)

func scrape(t testing.TB, h http.Handler, encoding string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
	r.Header.Set("Accept-Encoding", encoding)
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	if w.Code != http.StatusOK {
		t.Fatalf("status %d: %s", w.Code, w.Body)
	}
	if got := w.Header().Get("Content-Length"); got != strconv.Itoa(w.Body.Len()) {
		t.Fatalf("Content-Length is %s for %d bytes", got, w.Body.Len())
	}
	return w
}

// failures is a log that fails the test.
func failures(t *testing.T) *log.Logger { return log.New(failing{t}, "", 0) }

type failing struct{ t *testing.T }

func (f failing) Write(line []byte) (int, error) {
	f.t.Errorf("logged: %s", line)
	return len(line), nil
}

func TestScrapeInEveryCompression(t *testing.T) {
	s := sample.Campus()
	h := Handler(over(&s), failures(t))
	unpack := map[string]func(io.Reader) (io.Reader, error){
		"identity": func(r io.Reader) (io.Reader, error) { return r, nil },
		"gzip":     func(r io.Reader) (io.Reader, error) { return gzip.NewReader(r) },
		"zstd":     func(r io.Reader) (io.Reader, error) { return zstd.NewReader(r) },
	}
	for encoding, open := range unpack {
		w := scrape(t, h, encoding)
		if got := w.Header().Get("Content-Encoding"); got != encoding && encoding != "identity" {
			t.Errorf("asked for %s, got %q", encoding, got)
		}
		body, err := open(w.Body)
		if err != nil {
			t.Fatalf("%s: %v", encoding, err)
		}
		text, err := io.ReadAll(body)
		if err != nil {
			t.Fatalf("%s: %v", encoding, err)
		}
		for _, series := range []string{`fanwarden_fan_up{building="alder",fan="alder-ef1"} 1`, "go_goroutines ",
			"process_start_time_seconds ", "promhttp_metric_handler_errors_total"} {
			if !strings.Contains(string(text), "\n"+series) {
				t.Errorf("%s: no series %s", encoding, series)
			}
		}
	}
}

func TestWhichCompressionAScraperGets(t *testing.T) {
	s := sample.Campus()
	h := Handler(over(&s), failures(t))
	for accepted, want := range map[string]string{"": "", "identity": "", "gzip": "gzip", "gzip, zstd": "zstd", "br, GZIP;q=0.5": "gzip", "gzip;q=0": "",
		"zstd; q=0.0, gzip": "gzip", "deflate": "", "x-gzip": "", "zstd;q=a": "zstd"} {
		if got := scrape(t, h, accepted).Header().Get("Content-Encoding"); got != want {
			t.Errorf("%q gets %q, want %q", accepted, got, want)
		}
	}
}

// What is not plain text, or a part of it, still comes as it is asked for.
func TestScrapesThatAreNotOfTextOrNotOfAll(t *testing.T) {
	s := sample.Campus()
	h := Handler(over(&s), failures(t))
	for _, test := range []struct{ query, accept, kind, has, lacks string }{
		{"", "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited", "application/vnd.google.protobuf", "fanwarden_fan_up", "# HELP"},
		{"?name[]=fanwarden_fan_up", "", "text/plain", "\nfanwarden_fan_up{", "fanwarden_fan_mode{"},
		{"", "application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.3", "text/plain; version=0.0.4", "\nfanwarden_fan_mode{", "# EOF"},
	} {
		r := httptest.NewRequest(http.MethodGet, "/metrics"+test.query, nil)
		r.Header.Set("Accept", test.accept)
		w := httptest.NewRecorder()
		h.ServeHTTP(w, r)
		body := "\n" + w.Body.String()
		if kind := w.Header().Get("Content-Type"); !strings.HasPrefix(kind, test.kind) || !strings.Contains(body, test.has) || strings.Contains(body, test.lacks) {
			t.Errorf("%s, %s: %s of %d bytes; want %s with %q and without %q", test.query, test.accept, kind, len(body), test.kind, test.has, test.lacks)
		}
	}
}

// stuck is a scraper that does not read.
type stuck struct {
	*httptest.ResponseRecorder
	reached, release chan struct{}
}

func (s *stuck) Write(p []byte) (int, error) {
	close(s.reached)
	<-s.release
	return len(p), nil
}

func TestScraperThatDoesNotReadHoldsUpNobody(t *testing.T) {
	s := sample.Campus()
	h := Handler(over(&s), failures(t))
	w := &stuck{httptest.NewRecorder(), make(chan struct{}), make(chan struct{})}
	var running sync.WaitGroup
	running.Go(func() { h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil)) })
	<-w.reached
	scrape(t, h, "gzip") // would hang, and the test with it, if the first one held the gatherer
	close(w.release)
	running.Wait()
}

func TestTooManyScrapesAtOnce(t *testing.T) {
	s := sample.Campus()
	h := Handler(over(&s), failures(t))
	release := make(chan struct{})
	var running sync.WaitGroup
	for range atOnce {
		w := &stuck{httptest.NewRecorder(), make(chan struct{}), release}
		running.Go(func() { h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil)) })
		<-w.reached
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
	if w.Code != http.StatusServiceUnavailable || w.Header().Get("Retry-After") == "" {
		t.Errorf("one scrape too many got status %d", w.Code)
	}
	close(release)
	running.Wait()
	scrape(t, h, "identity")
}

func TestScrapesAtTheSameTime(t *testing.T) {
	s := sample.Large(64)
	h := Handler(over(&s), failures(t))
	var running sync.WaitGroup
	for range 8 {
		running.Go(func() {
			for range 5 {
				w := httptest.NewRecorder()
				h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "/metrics", nil))
				if n := strings.Count(w.Body.String(), "\nfanwarden_fan_up{"); n != 64 {
					t.Errorf("%d fans in a scrape, want 64", n)
				}
			}
		})
	}
	running.Wait()
}

// promtool is Prometheus's own checker, from Debian's package prometheus.
func promtool(t *testing.T) string {
	t.Helper()
	path, err := exec.LookPath("promtool")
	if err == nil {
		return path
	}
	const missing = "promtool is not installed (Debian package prometheus)"
	if os.Getenv("FANWARDEN_PEERS") == "required" {
		t.Fatal(missing)
	}
	t.Skip(missing)
	return ""
}

func TestPromtoolCheckMetrics(t *testing.T) {
	tool := promtool(t)
	for name, s := range map[string]*export.Snapshot{"campus": sample.Campus(), "large": sample.Large(100)} {
		check := exec.Command(tool, "check", "metrics")
		check.Stdin = scrape(t, Handler(over(&s), failures(t)), "identity").Body
		if out, err := check.CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
}

func BenchmarkScrape10000(b *testing.B) {
	for _, encoding := range []string{"identity", "gzip", "zstd"} {
		b.Run(encoding, func(b *testing.B) {
			s := sample.Large(10000)
			h := Handler(over(&s), log.New(io.Discard, "", 0))
			scrape(b, h, encoding)
			for b.Loop() {
				b.SetBytes(int64(scrape(b, h, encoding).Body.Len()))
			}
		})
	}
}
