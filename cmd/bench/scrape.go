package main

import (
	"context"
	"fmt"
	"io"
	"log"
	"net/http"
	"net/http/httptest"
	"runtime"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	dto "github.com/prometheus/client_model/go"

	"fanwarden/config"
	"fanwarden/export"
	"fanwarden/export/metrics"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
	"fanwarden/rules"
)

// accepts are what Prometheus asks for when it scrapes, with its compression
// and without.
var accepts = []struct{ name, encoding string }{{"gzip", "gzip"}, {"plain", "identity"}}

const scraperAccept = "application/openmetrics-text;version=1.0.0;q=0.5,application/openmetrics-text;version=0.0.1;q=0.4,text/plain;version=0.0.4;q=0.3,*/*;q=0.2"

// scrapeContest sets /metrics beside gauges of client_golang that have the same
// names and labels and are set at every scrape, as one does it in an afternoon.
func scrapeContest() contest {
	const beside = "the same series as plain gauges of client_golang"
	c := contest{name: "scrape"}
	for _, a := range accepts {
		c.rows = append(c.rows,
			row{Name: "scrape-" + a.name + "-cpu", What: "CPU a scrape of 10,000 fans, " + a.name, Beside: beside, Unit: "ms", Aim: &aim{Of: "ours", Most: 150}},
			row{Name: "scrape-" + a.name + "-allocs", What: "allocations a scrape, " + a.name, Beside: beside, Unit: "1"})
	}
	c.prepare = func(_ context.Context, b *bench) (ours, theirs side, err error) {
		p := plan{fans: sized(b, 10_000, 100), gateways: sized(b, 200, 2), url: onLoopback(1502)}
		fleet, err := p.parse()
		if err != nil {
			return nil, nil, err
		}
		snapshot := pictured(fleet)
		gatherer := metrics.New(func() *export.Snapshot { return snapshot }, func() time.Time { return snapshot.Taken })
		silent := log.New(io.Discard, "", 0)
		plain := newPlainGauges(gatherer)
		ours = scraped(metrics.Handler(gatherer, silent), func() {})
		theirs = scraped(promhttp.HandlerFor(plain.registry, promhttp.HandlerOpts{ErrorLog: silent}), plain.set)
		return ours, theirs, nil
	}
	return c
}

// pictured is a fleet that was polled and judged for a minute.
func pictured(fleet *config.Fleet) *export.Snapshot {
	f := field.New(fleet, 1, begin)
	engine, board := rules.New(fleet), export.NewBoard(fleet, "1.2.3", begin)
	_ = record(f, time.Minute, func(_ *config.Fan, r *reading.Reading) error {
		engine.Observe(r)
		board.SetReading(r)
		return nil
	})
	for _, fan := range fleet.Fans {
		mode, verdicts, standing := engine.FanView(fan.ID)
		board.SetFanState(fan.ID, mode, verdicts, standing)
	}
	for _, g := range fleet.Gateways {
		verdicts, standing := engine.GatewayView(g.ID)
		board.SetGatewayState(g.ID, verdicts, standing)
		board.CountCycle(g.ID, f.Now(), time.Second, 0, nil)
	}
	board.Publish(f.Now())
	return board.Snapshot()
}

// scraped scrapes a handler in each way, after something has been done.
func scraped(h http.Handler, before func()) side {
	one := func(encoding string) error {
		before()
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Header.Set("Accept-Encoding", encoding)
		r.Header.Set("Accept", scraperAccept)
		w := &counting{header: http.Header{}}
		h.ServeHTTP(w, r)
		if w.status != http.StatusOK && w.status != 0 || w.bytes == 0 {
			return fmt.Errorf("status %d, %d bytes", w.status, w.bytes)
		}
		return nil
	}
	return func(context.Context) (figures, error) {
		got := figures{}
		for _, a := range accepts {
			if err := one(a.encoding); err != nil { // lays out what is used again
				return nil, err
			}
			runtime.GC()
			var start, end runtime.MemStats
			runtime.ReadMemStats(&start)
			used := processorTime()
			const scrapes = 2
			for range scrapes {
				if err := one(a.encoding); err != nil {
					return nil, err
				}
			}
			used = processorTime() - used
			runtime.ReadMemStats(&end)
			got["scrape-"+a.name+"-cpu"] = milliseconds(used) / scrapes
			got["scrape-"+a.name+"-allocs"] = float64(end.Mallocs-start.Mallocs) / scrapes
		}
		return got, nil
	}
}

// counting is a response of which only the length is kept.
type counting struct {
	header        http.Header
	status, bytes int
}

func (c *counting) Header() http.Header                { return c.header }
func (c *counting) WriteHeader(status int)             { c.status = status }
func (c *counting) Write(part []byte) (n int, _ error) { c.bytes += len(part); return len(part), nil }

// plainGauges are the series of a gatherer as gauges that are set one by one.
// Histograms and summaries are left out.
type plainGauges struct {
	registry *prometheus.Registry
	from     *metrics.Gatherer
	vectors  map[string]*prometheus.GaugeVec
}

func newPlainGauges(from *metrics.Gatherer) *plainGauges {
	p := &plainGauges{registry: prometheus.NewRegistry(), from: from, vectors: make(map[string]*prometheus.GaugeVec)}
	families, done, _ := from.Gather() // never fails
	defer done()
	for _, f := range families {
		if !single(f) {
			continue
		}
		// Series of one family may differ in their labels; a vector has all of them.
		var names []string
		seen := make(map[string]bool)
		for _, m := range f.Metric {
			for _, l := range m.Label {
				if !seen[l.GetName()] {
					seen[l.GetName()] = true
					names = append(names, l.GetName())
				}
			}
		}
		v := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: f.GetName(), Help: f.GetHelp()}, names)
		p.registry.MustRegister(v)
		p.vectors[f.GetName()] = v
	}
	return p
}

func single(f *dto.MetricFamily) bool {
	return f.GetType() == dto.MetricType_GAUGE || f.GetType() == dto.MetricType_COUNTER
}

// set sets every gauge.
func (p *plainGauges) set() {
	families, done, _ := p.from.Gather() // never fails
	defer done()
	labels := prometheus.Labels{}
	for _, f := range families {
		v := p.vectors[f.GetName()]
		if v == nil {
			continue
		}
		for _, m := range f.Metric {
			for name := range labels {
				labels[name] = ""
			}
			for _, l := range m.Label {
				labels[l.GetName()] = l.GetValue()
			}
			value := m.GetGauge().GetValue() + m.GetCounter().GetValue()
			if g, err := v.GetMetricWith(labels); err == nil {
				g.Set(value)
			}
		}
		clear(labels)
	}
}
