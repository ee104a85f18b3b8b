package main

import (
	"bufio"
	"bytes"
	"context"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"fanwarden/cmd/fanwarden/internal/campus"
)

// plainBinary builds the program as it is shipped: the race detector would make
// the two days of the demo's past take minutes.
func plainBinary(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "fanwarden")
	if out, err := exec.Command("go", "build", "-o", path, ".").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return path
}

// runningDemo is a `fanwarden demo` in a process of its own, with a temporary
// folder of its own.
type runningDemo struct {
	*runningDaemon
	temporary string
	stderr    *bytes.Buffer
	training  string // where faults are put on
	guide     string
}

// startDemo runs a demo and waits until it has said where to look.
func startDemo(t *testing.T, args ...string) *runningDemo {
	t.Helper()
	d := &runningDemo{temporary: t.TempDir(), stderr: &bytes.Buffer{}}
	cmd := exec.Command(plainBinary(t), append([]string{"demo", "--listen", "127.0.0.1:0"}, args...)...)
	cmd.Env = append(os.Environ(), "TMPDIR="+d.temporary)
	cmd.Stderr = d.stderr
	d.runningDaemon = &runningDaemon{t: t, cmd: cmd}
	stdout, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill() })
	said := make(chan string, 1000)
	go func() {
		defer close(said)
		for lines := bufio.NewScanner(stdout); lines.Scan(); {
			said <- lines.Text()
		}
	}()
	d.listen(said)
	return d
}

// listen reads what the demo says up to its last line.
func (d *runningDemo) listen(said <-chan string) {
	d.t.Helper()
	deadline := time.After(patience)
	for {
		select {
		case line, open := <-said:
			if !open {
				d.t.Fatalf("the demo ended; it said\n%s\n%s", d.guide, d.stderr)
			}
			d.guide += line + "\n"
			d.note(line)
			if strings.HasPrefix(line, "Ctrl-C") {
				return
			}
		case <-deadline:
			d.t.Fatalf("not ready within %s; it said\n%s\n%s", patience, d.guide, d.stderr)
		}
	}
}

func (d *runningDemo) note(line string) {
	if at := strings.Index(line, "http://"); at >= 0 && strings.Contains(line, "worst first") {
		d.url = strings.TrimSuffix(line[at:], "/")
	}
	if at := strings.Index(line, "curl http://"); at >= 0 && d.training == "" {
		d.training, _, _ = strings.Cut(line[at+len("curl "):], " ")
	}
}

// end sends a signal and wants status 0 and nothing left behind.
func (d *runningDemo) end(signal os.Signal) {
	d.t.Helper()
	d.cmd.Process.Signal(signal)
	if err := d.cmd.Wait(); err != nil {
		d.t.Errorf("the demo ended with %v\n%s", err, d.stderr)
	}
	left, err := os.ReadDir(d.temporary)
	if err != nil || len(left) > 0 {
		d.t.Errorf("left in the temporary folder: %v %v", left, err)
	}
	if strings.Contains(d.stderr.String(), "panic") {
		d.t.Errorf("it said\n%s", d.stderr)
	}
}

// planted returns what a campus ought to show, as runningDaemon.active does.
func planted(t *testing.T, fans int) string {
	t.Helper()
	c, err := campus.New(fans, time.Now(), pastOf(fans))
	if err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, trouble := range c.Troubles {
		all = append(all, strings.TrimSpace(string(trouble.Fault.Fan)+" "+string(trouble.Condition)))
	}
	return strings.Join(sorted(all), ", ")
}

func TestDemoShowsWhatIsWrongOnItsCampusAndNothingElse(t *testing.T) {
	begun := time.Now()
	d := startDemo(t)
	t.Logf("ready %s after the start", time.Since(begun).Round(100*time.Millisecond))
	if status, body := d.get("/readyz"); status != http.StatusOK {
		t.Errorf("/readyz is %d %s once the demo says where to look", status, body)
	}
	want(t, "what stands", planted(t, campus.Usual), d.active)
	for _, word := range []string{"/metrics", "curl", "quillmere-ef7", "pinned_at_max", "gateway_down"} {
		if !strings.Contains(d.guide, word) {
			t.Errorf("the guide does not speak of %s:\n%s", word, d.guide)
		}
	}
	up := 0
	for series, value := range d.metrics() {
		if strings.HasPrefix(series, "fanwarden_fan_up{") && value == "1" {
			up++
		}
	}
	const lost = 1 + 2 + 2 // a silent controller, a cut line, a dead gateway
	if up != campus.Usual-lost {
		t.Errorf("%d fans answer, want all but %d", up, lost)
	}
	d.silence("quillmere-ef1")
	d.end(os.Interrupt)
}

// silence puts a trouble on a healthy fan by the training port, and wants the
// daemon to see it.
func (d *runningDemo) silence(fan string) {
	d.t.Helper()
	body := strings.NewReader(`{"fan": "` + fan + `", "kind": "silent_unit", "for": "10m"}`)
	response, err := http.Post(d.training, "application/json", body)
	if err != nil {
		d.t.Fatal(err)
	}
	response.Body.Close()
	if response.StatusCode != http.StatusOK {
		d.t.Errorf("%s: %s", d.training, response.Status)
	}
	want(d.t, "fan_up of "+fan, "0", func() string {
		return d.metrics()[`fanwarden_fan_up{building="quillmere",fan="`+fan+`"}`]
	})
}

func TestDemoOfFewFansEndsOnATerminationSignal(t *testing.T) {
	d := startDemo(t, "--fans", "10")
	want(t, "what stands", planted(t, 10), d.active)
	d.end(syscall.SIGTERM)
}

func TestDemoCanBeEndedWhileItPrepares(t *testing.T) {
	temporary := t.TempDir()
	t.Setenv("TMPDIR", temporary)
	ctx, cancel := context.WithCancel(context.Background())
	watch := &onFirstWrite{do: cancel}
	p := &process{stdout: io.Discard, stderr: watch}
	if status := execute(ctx, p, []string{"demo", "--listen", "127.0.0.1:0"}); status != allWell {
		t.Errorf("status %d; it said\n%s", status, watch.said.String())
	}
	if left, err := os.ReadDir(temporary); err != nil || len(left) > 0 {
		t.Errorf("left in the temporary folder: %v %v", left, err)
	}
}

// onFirstWrite does something once progress is told.
type onFirstWrite struct {
	said bytes.Buffer
	do   func()
}

func (w *onFirstWrite) Write(text []byte) (int, error) {
	w.do()
	return w.said.Write(text)
}

func TestDemoRefusesWhatItCannotDo(t *testing.T) {
	t.Setenv("TMPDIR", t.TempDir())
	for _, args := range [][]string{{"--fans", "0"}, {"--fans", "5001"}, {"--fans", "many"}, {"--listen", "nowhere"}, {"extra"}} {
		var stdout, stderr bytes.Buffer
		status := execute(context.Background(), &process{stdout: &stdout, stderr: &stderr}, append([]string{"demo"}, args...))
		if status != couldNotRun || stderr.Len() == 0 || stdout.Len() > 0 {
			t.Errorf("%v: status %d, %q, %q", args, status, stdout.String(), stderr.String())
		}
	}
	if left, err := os.ReadDir(os.TempDir()); err != nil || len(left) > 0 {
		t.Errorf("left in the temporary folder: %v %v", left, err)
	}
}

func TestProgressIsToldNowAndThen(t *testing.T) {
	var said bytes.Buffer
	now := time.Unix(0, 0)
	p := newProgress(&said, "counting", func() time.Time { return now })
	for i := range 100 {
		p.tell(float64(i) / 100)
		now = now.Add(100 * time.Millisecond)
	}
	p.end()
	const want = "counting: 0 %\ncounting: 30 %\ncounting: 60 %\ncounting: 90 %\ncounting: done in 10s\n"
	if said.String() != want {
		t.Errorf("it says\n%swant\n%s", said.String(), want)
	}
	said.Reset()
	p = newProgress(&said, "counting", func() time.Time { return now })
	p.terminal = true
	for i := range 100 {
		p.tell(float64(i) / 100)
		now = now.Add(100 * time.Millisecond)
	}
	p.end()
	if lines := strings.Count(said.String(), "\n"); lines != 1 || strings.Count(said.String(), "\r") != 51 {
		t.Errorf("on a terminal it says %q", said.String())
	}
}

func TestALargeCampusHasAShorterPast(t *testing.T) {
	for fans, want := range map[int]time.Duration{4: longestPast, 50: longestPast, 100: longestPast, 200: 24 * time.Hour, 5000: shortestPast} {
		if got := pastOf(fans); got != want {
			t.Errorf("%d fans: %s, want %s", fans, got, want)
		}
	}
}
