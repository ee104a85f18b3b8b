package main

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// patience is how long a test waits for an event of a daemon on a busy machine.
const patience = time.Minute

// binary is the program as it is shipped, but for the race detector.
var binary = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "fanwarden-test")
	if err != nil {
		return "", err
	}
	path := filepath.Join(dir, "fanwarden")
	out, err := exec.Command("go", "build", "-race", "-o", path, ".").CombinedOutput()
	if err != nil {
		return "", fmt.Errorf("%w\n%s", err, out)
	}
	return path, nil
})

func TestMain(m *testing.M) {
	status := m.Run()
	if path, err := binary(); err == nil {
		os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(status)
}

// event is one line of the daemon's log.
type event struct {
	Event, Fan, Gateway, Condition, Reason, Summary, URL, Fault string
}

// runningDaemon is a `fanwarden run` in a process of its own.
type runningDaemon struct {
	t      *testing.T
	cmd    *exec.Cmd
	url    string
	events chan event
	seen   []event
}

// startDaemon runs the program on a fleet file and waits until it listens.
func startDaemon(t *testing.T, file string) *runningDaemon {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	d := &runningDaemon{t: t, cmd: exec.Command(path, "run", "--config", file), events: make(chan event, 1000)}
	stderr, err := d.cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go d.follow(stderr)
	t.Cleanup(func() { d.cmd.Process.Kill() })
	d.url = strings.TrimSuffix(d.await(event{Event: "listening"}).URL, "/")
	return d
}

// follow reads the log to its end.
func (d *runningDaemon) follow(log io.Reader) {
	defer close(d.events)
	lines := bufio.NewScanner(log)
	for lines.Scan() {
		var e event
		if json.Unmarshal(lines.Bytes(), &e) != nil {
			e.Event = lines.Text() // a panic or a race report: shown by await
		}
		d.events <- e
	}
}

// await waits for an event that has at least the fields of want.
func (d *runningDaemon) await(want event) event {
	d.t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case e, open := <-d.events:
			if !open {
				d.t.Fatalf("the daemon ended before %+v; its log:\n%s", want, d.log())
			}
			d.seen = append(d.seen, e)
			if e.has(want) {
				return e
			}
		case <-deadline:
			d.t.Fatalf("no %+v within %s; the log:\n%s", want, patience, d.log())
		}
	}
}

func (e event) has(want event) bool {
	return (want.Event == "" || e.Event == want.Event) && (want.Fan == "" || e.Fan == want.Fan) &&
		(want.Gateway == "" || e.Gateway == want.Gateway) && (want.Condition == "" || e.Condition == want.Condition)
}

func (d *runningDaemon) log() string {
	var lines []string
	for _, e := range d.seen {
		lines = append(lines, fmt.Sprintf("%+v", e))
	}
	return strings.Join(lines, "\n")
}

// stop sends SIGTERM and wants status 0 and a log without a panic or a race.
func (d *runningDaemon) stop() {
	d.t.Helper()
	d.cmd.Process.Signal(syscall.SIGTERM)
	for e := range d.events {
		d.seen = append(d.seen, e)
	}
	if err := d.cmd.Wait(); err != nil {
		d.t.Errorf("after SIGTERM: %v; the log:\n%s", err, d.log())
	}
	for _, e := range d.seen {
		if strings.Contains(e.Event, "DATA RACE") || strings.Contains(e.Event, "panic") {
			d.t.Errorf("the log has %q:\n%s", e.Event, d.log())
		}
	}
}

// get returns the body of a page.
func (d *runningDaemon) get(path string) (status int, body string) {
	d.t.Helper()
	response, err := http.Get(d.url + path)
	if err != nil {
		d.t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		d.t.Fatal(err)
	}
	return response.StatusCode, string(text)
}

// metrics returns the samples of one scrape by series, as "name{labels}".
func (d *runningDaemon) metrics() map[string]string {
	d.t.Helper()
	_, body := d.get("/metrics")
	samples := make(map[string]string)
	for _, line := range strings.Split(body, "\n") {
		if at := strings.LastIndexByte(line, ' '); at > 0 && line[0] != '#' {
			samples[line[:at]] = line[at+1:]
		}
	}
	return samples
}

// active returns the conditions that stand, as "fan condition" or, for a
// gateway's own, "condition".
func (d *runningDaemon) active() string {
	d.t.Helper()
	var all []string
	for series, value := range d.metrics() {
		labels, isCondition := strings.CutPrefix(series, "fanwarden_condition_active{")
		if isCondition && value == "1" {
			all = append(all, strings.TrimSpace(label(labels, "fan")+" "+label(labels, "condition")))
		}
	}
	return strings.Join(sorted(all), ", ")
}

func label(labels, name string) string {
	_, rest, found := strings.Cut(","+labels, ","+name+`="`)
	if !found {
		return ""
	}
	value, _, _ := strings.Cut(rest, `"`)
	return value
}

// eventually waits until what holds; the picture that pages show is renewed a
// few times a second.
func eventually(t *testing.T, what func() error) {
	t.Helper()
	deadline := time.After(patience)
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		err := what()
		if err == nil {
			return
		}
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatalf("after %s: %v", patience, err)
		}
	}
}

// want is a shorthand for eventually: got becomes value.
func want(t *testing.T, what, value string, got func() string) {
	t.Helper()
	eventually(t, func() error {
		if now := got(); now != value {
			return fmt.Errorf("%s is %q, want %q", what, now, value)
		}
		return nil
	})
}
