package main

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// looked is what a daemon says of itself, and the system of it, at one instant.
type looked struct {
	at       time.Time
	cpu      time.Duration
	good     float64
	failed   float64
	missed   float64
	delays   map[float64]float64 // how many cycles started within so many seconds
	gateways []cycled
}

// cycled is what is known of the cycles of one gateway.
type cycled struct {
	Cycles uint64    `json:"cycles"`
	Last   time.Time `json:"last_cycle"`
	Every  float64   `json:"poll_every_s"`
}

// measureDaemon looks at a daemon at the beginning and at the end of a span.
func (b *bench) measureDaemon(ctx context.Context, d *watcher, o *scaleOptions) (*scaled, error) {
	scrape, err := d.scrapeCost(o.settle / 10)
	if err != nil {
		return nil, err
	}
	dozer, err := b.child(ctx, "doze")
	if err != nil {
		return nil, err
	}
	before, err := d.look(o)
	if err != nil {
		return nil, err
	}
	began, err := d.cpu()
	if err != nil {
		return nil, err
	}
	from := time.Now()
	if err := wait(ctx, o.span); err != nil {
		return nil, err
	}
	used, err := d.cpu()
	if err != nil {
		return nil, err
	}
	took := time.Since(from)
	memory, peak, err := d.memory()
	if err != nil {
		return nil, err
	}
	after, err := d.look(o)
	if err != nil {
		return nil, err
	}
	s := &scaled{Cores: (used - began).Seconds() / took.Seconds(), Memory: memory, Peak: peak, Scrape: milliseconds(scrape)}
	span := after.at.Sub(before.at).Seconds()
	s.Rate, s.Failed = (after.good-before.good)/span, (after.failed-before.failed)/span
	s.Missed = int(after.missed - before.missed)
	s.Jitter = 1000 * within(before.delays, after.delays, 0.99)
	s.Straying = straying(before.gateways, after.gateways)
	return s, dozer.overslept(s)
}

// overslept ends the process that does nothing else and takes what it says.
func (c *child) overslept(s *scaled) error {
	c.in.Close()
	line, err := c.line()
	if err != nil {
		return err
	}
	_, err = fmt.Sscan(line, &s.HostP99, &s.HostLongest, &s.HostStalls)
	return err
}

// scrapeCost is what one scrape as Prometheus asks for it takes of the daemon's
// processor time, beside what it does anyway in so long a time.
func (d *watcher) scrapeCost(idle time.Duration) (time.Duration, error) {
	const scrapes = 5
	var costs [2]time.Duration
	for i := range costs {
		before, err := d.cpu()
		if err != nil {
			return 0, err
		}
		end := time.Now().Add(idle)
		for n := 0; i == 1 && n < scrapes; n++ {
			r, _ := http.NewRequest(http.MethodGet, d.url+"/metrics", nil) // the url is good
			r.Header.Set("Accept", scraperAccept)
			r.Header.Set("Accept-Encoding", "gzip")
			answer, err := http.DefaultClient.Do(r)
			if err != nil {
				return 0, err
			}
			_, err = io.Copy(io.Discard, answer.Body)
			answer.Body.Close()
			if err != nil {
				return 0, err
			}
		}
		time.Sleep(time.Until(end))
		after, err := d.cpu()
		if err != nil {
			return 0, err
		}
		costs[i] = after - before
	}
	return (costs[1] - costs[0]) / scrapes, nil
}

// look asks the daemon how it does.
func (d *watcher) look(o *scaleOptions) (*looked, error) {
	l := &looked{at: time.Now(), delays: make(map[float64]float64)}
	answer, err := http.Get(d.url + "/metrics")
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	lines := bufio.NewScanner(answer.Body)
	for lines.Scan() {
		l.take(lines.Text())
	}
	if err := lines.Err(); err != nil {
		return nil, err
	}
	for g := range o.gateways {
		if o.troubles && gone(g) {
			continue
		}
		c, err := d.gateway(g)
		if err != nil {
			return nil, err
		}
		l.gateways = append(l.gateways, c)
	}
	return l, nil
}

// take takes down one series.
func (l *looked) take(line string) {
	series, text, _ := strings.Cut(line, " ")
	value, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return
	}
	name, labels, _ := strings.Cut(series, "{")
	switch name {
	case "fanwarden_polls_total":
		if strings.Contains(labels, `outcome="ok"`) {
			l.good += value
		} else {
			l.failed += value
		}
	case "fanwarden_poll_cycles_missed_total":
		l.missed += value
	case "fanwarden_poll_start_delay_seconds_bucket":
		_, bound, _ := strings.Cut(labels, `le="`)
		bound, _, _ = strings.Cut(bound, `"`)
		if limit, err := strconv.ParseFloat(bound, 64); err == nil { // "+Inf" too
			l.delays[limit] = value
		}
	}
}

// gateway asks for the cycles of one gateway.
func (d *watcher) gateway(g int) (c cycled, err error) {
	answer, err := http.Get(fmt.Sprintf("%s/api/v1/gateways/b%03d-gw", d.url, g))
	if err != nil {
		return c, err
	}
	defer answer.Body.Close()
	return c, json.NewDecoder(answer.Body).Decode(&c)
}

// within is the time within which such a share of what came between two counts
// lies, in seconds: between the bounds of a bucket it is drawn as a line.
func within(before, after map[float64]float64, share float64) float64 {
	bounds := sortedKeys(after)
	if len(bounds) == 0 {
		return math.NaN()
	}
	all := after[bounds[len(bounds)-1]] - before[bounds[len(bounds)-1]]
	wanted, below, from := share*all, 0.0, 0.0
	for _, bound := range bounds {
		n := after[bound] - before[bound]
		if n >= wanted {
			if math.IsInf(bound, 1) || n == below {
				return from
			}
			return from + (bound-from)*(wanted-below)/(n-below)
		}
		below, from = n, bound
	}
	return from
}

// straying is by how large a part the mean period of any gateway differs from
// what it is to be.
func straying(before, after []cycled) float64 {
	worst := 0.0
	for i := range after {
		cycles := after[i].Cycles - before[i].Cycles
		if cycles == 0 {
			return 1
		}
		period := after[i].Last.Sub(before[i].Last).Seconds() / float64(cycles)
		worst = max(worst, math.Abs(period/after[i].Every-1))
	}
	return worst
}

// cpu is the processor time that the daemon has taken.
func (d *watcher) cpu() (time.Duration, error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(d.cmd.Process.Pid), "stat"))
	if err != nil {
		return 0, err
	}
	// The name stands in brackets and may hold anything; behind it utime and stime
	// are the 12th and 13th field, in hundredths of a second (proc(5)).
	_, rest, _ := strings.Cut(string(text), ") ")
	fields := strings.Fields(rest)
	if len(fields) < 13 {
		return 0, fmt.Errorf("%q is not the state of a process", text)
	}
	user, err := strconv.Atoi(fields[11])
	system, err2 := strconv.Atoi(fields[12])
	if err != nil || err2 != nil {
		return 0, fmt.Errorf("%q is not the state of a process", text)
	}
	return time.Duration(user+system) * 10 * time.Millisecond, nil
}

// memory is what the daemon has resident, now and at most, in MB.
func (d *watcher) memory() (now, most float64, err error) {
	text, err := os.ReadFile(filepath.Join("/proc", strconv.Itoa(d.cmd.Process.Pid), "status"))
	if err != nil {
		return 0, 0, err
	}
	for line := range strings.Lines(string(text)) {
		name, rest, _ := strings.Cut(line, ":")
		kilobytes, _ := strconv.ParseFloat(strings.TrimSuffix(strings.TrimSpace(rest), " kB"), 64)
		switch name {
		case "VmRSS":
			now = kilobytes * 1024 / 1e6
		case "VmHWM":
			most = kilobytes * 1024 / 1e6
		}
	}
	return now, most, nil
}
