package main

import (
	"bufio"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"fanwarden/rules/condition"
)

// watch asks the daemon for what it shows, and holds it against the truth.
type watch struct {
	s      *soak
	client *http.Client

	last     time.Time // when it last answered
	slowest  time.Duration
	served   tally // values of the fleet and of metrics
	recorded tally // values of history
	stale    map[string]time.Time
}

// tally counts values.
type tally struct {
	right, unknown, wrong atomic.Int64
	mixed, tried          atomic.Int64 // that another fan might have had as well
}

func (t *tally) String() string {
	return fmt.Sprintf("%d right, %d wrong, %d of moments that nobody saw; another fan would pass %d of %d times",
		t.right.Load(), t.wrong.Load(), t.unknown.Load(), t.mixed.Load(), t.tried.Load())
}

func newWatch(s *soak) *watch {
	return &watch{s: s, client: &http.Client{Timeout: 5 * time.Second}, last: time.Now(), stale: make(map[string]time.Time)}
}

// shown is what is read of /api/v1/fleet.
type shown struct {
	Name   string
	Ready  bool
	Reload struct{ Good bool }
	Fans   []shownFan

	Gateways []struct {
		ID         string
		Lent       bool
		Conditions []struct{ Condition condition.Name }
	}
}

type shownFan struct {
	ID         string
	Outcome    string
	Read       *time.Time
	Age        *float64 `json:"age_s"`
	Values     map[string]any
	Conditions []struct{ Condition condition.Name }
}

// fields are what the checked points are called in JSON and CSV.
var fields = [len(checked)]string{"pressure_pa", "setpoint_pa", "speed", "rpm"}

func (w *watch) get(path string) (*http.Response, error) {
	answer, err := w.client.Get(w.s.url() + path)
	if err != nil {
		return nil, err
	}
	if answer.StatusCode != http.StatusOK {
		answer.Body.Close()
		return nil, fmt.Errorf("%s answers %s", path, answer.Status)
	}
	return answer, nil
}

func (w *watch) object(path string, into any) error {
	answer, err := w.get(path)
	if err != nil {
		return err
	}
	defer answer.Body.Close()
	return json.NewDecoder(answer.Body).Decode(into)
}

// fleet asks once, and holds what it says against the truth.
func (w *watch) fleet() (*shown, error) {
	began := time.Now()
	var f shown
	if err := w.object("/api/v1/fleet", &f); err != nil {
		return nil, err
	}
	now := time.Now()
	w.slowest = max(w.slowest, now.Sub(began))
	w.last = now
	all := make(map[standing]bool)
	for _, fan := range f.Fans {
		for _, c := range fan.Conditions {
			all[standing{fan.ID, c.Condition}] = true
		}
		if fan.Read == nil {
			continue
		}
		for i, name := range fields {
			if v, is := fan.Values[name].(float64); is {
				w.value(&w.served, "the API", fan.ID, i, *fan.Read, v, 0)
			}
		}
	}
	for _, g := range f.Gateways {
		for _, c := range g.Conditions {
			all[standing{g.ID, c.Condition}] = true
		}
	}
	if f.Ready {
		w.s.conditions.observe(now, all)
	}
	return &f, nil
}

// value holds one value against the truth, and against another fan's.
func (w *watch) value(t *tally, where, fan string, point int, at time.Time, value, tolerance float64) {
	switch said, off := w.s.truth.of(fan, point, at, value, tolerance); said {
	case right:
		t.right.Add(1)
	case unknown:
		t.unknown.Add(1)
		return
	case wrong:
		t.wrong.Add(1)
		w.s.found("%s gives %s of %s at %s as %v: it never had that then, and is off by %.4g at least",
			where, fields[point], fan, at.Format("15:04:05.000"), value, off)
	}
	if point > 1 { // speeds are alike where fans stand at a limit
		return
	}
	t.tried.Add(1)
	if said, _ := w.s.truth.of(w.s.another(fan), point, at, value, tolerance); said == right {
		t.mixed.Add(1)
	}
}

// alarms notes which alarms stand.
func (w *watch) alarms() error {
	var a struct {
		Alarms []struct {
			ID                string
			Chattering, Quiet bool
		}
	}
	if err := w.object("/api/v1/alarms?state=active&limit=10000", &a); err != nil {
		return err
	}
	now := time.Now()
	for _, one := range a.Alarms {
		w.s.conditions.note(now, one.ID, one.Chattering || one.Quiet)
	}
	return nil
}

// scrape reads the metrics and holds those of fans against the truth.
func (w *watch) scrape() (map[string]float64, error) {
	answer, err := w.get("/metrics")
	if err != nil {
		return nil, err
	}
	defer answer.Body.Close()
	all := make(map[string]float64)
	lines := bufio.NewScanner(answer.Body)
	for lines.Scan() {
		if at := strings.LastIndexByte(lines.Text(), ' '); at > 0 && lines.Text()[0] != '#' {
			if v, err := strconv.ParseFloat(lines.Text()[at+1:], 64); err == nil {
				all[lines.Text()[:at]] = v
			}
		}
	}
	for i, name := range map[int]string{0: "fanwarden_pressure_pascals", 1: "fanwarden_setpoint_pascals", 2: "fanwarden_speed_ratio"} {
		for _, fan := range w.s.fans {
			labels := fmt.Sprintf("{building=%q,fan=%q}", fan[:3], fan)
			v, has := all[name+labels]
			at, read := all["fanwarden_reading_timestamp_seconds"+labels]
			if has && read {
				w.value(&w.served, "a metric", fan, i, time.UnixMicro(int64(at*1e6)), v, 0)
			}
		}
	}
	return all, lines.Err()
}

// history reads what is kept of a fan from one time of the daemon's clock to
// another, holds it against the truth, and returns how many good readings there are.
func (w *watch) history(fan string, from, to time.Time) (rows int, err error) {
	span := url.Values{"from": {from.UTC().Format(time.RFC3339Nano)}, "to": {to.UTC().Format(time.RFC3339Nano)}}
	answer, err := w.get("/api/v1/fans/" + fan + "/history.csv?" + span.Encode())
	if err != nil {
		return 0, err
	}
	defer answer.Body.Close()
	table := csv.NewReader(answer.Body)
	columns, err := table.Read()
	if err != nil {
		return 0, err
	}
	place := make(map[string]int)
	for i, name := range columns {
		place[name] = i
	}
	for {
		row, err := table.Read()
		if err == io.EOF {
			return rows, nil
		}
		if err != nil {
			return rows, err
		}
		at, err := time.Parse(time.RFC3339Nano, row[place["time"]])
		if err != nil || row[place["fan"]] != fan {
			return rows, fmt.Errorf("a row of %s: %q", fan, row)
		}
		if row[place["quality"]] == "ok" {
			rows++
		}
		for i, name := range fields {
			if v, err := strconv.ParseFloat(row[place[name]], 64); err == nil {
				w.value(&w.recorded, "history", fan, i, at, v, recordedTo[i])
			}
		}
	}
}

// recordedTo is how exactly history keeps each checked point: half of 1/256 Pa and
// of 0.01 %, and seven digits.
var recordedTo = [len(checked)]float64{0.002, 1e-5, 5.1e-5, 1e-3}

// silence is how long the daemon may not answer while it should.
const silence = 10 * time.Second

// run watches until the soak is over.
func (w *watch) run(done <-chan struct{}) {
	tick := time.NewTicker(500 * time.Millisecond)
	defer tick.Stop()
	for n := 0; ; n++ {
		select {
		case <-done:
			return
		case <-tick.C:
		}
		if w.s.away() {
			w.last = time.Now()
			continue
		}
		_, err := w.fleet()
		if err == nil && n%2 == 0 {
			err = w.alarms()
		}
		if err == nil && n%2 == 1 {
			_, err = w.scrape()
		}
		if err != nil && !w.s.away() && time.Since(w.last) > silence {
			w.s.found("the daemon has not answered for %v: %v", silence, err)
			w.last = time.Now()
		}
	}
}
