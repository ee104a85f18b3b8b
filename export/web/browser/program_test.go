package browser_test

import (
	"bufio"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// program is a fanwarden in a process of its own.
type program struct {
	cmd  *exec.Cmd
	said chan string // its lines, of both outputs
	log  []string    // those that were read
}

var running struct {
	sync.Mutex
	all []*program
}

// endPrograms ends what still runs.
func endPrograms() {
	running.Lock()
	defer running.Unlock()
	for _, p := range running.all {
		p.end()
	}
}

// start runs the program with the arguments.
func start(t *testing.T, args ...string) *program {
	t.Helper()
	path, err := binary()
	if err != nil {
		t.Fatal(err)
	}
	dir, err := scratch()
	if err != nil {
		t.Fatal(err)
	}
	p := &program{cmd: exec.Command(path, args...), said: make(chan string, 10000)}
	p.cmd.Env = append(p.cmd.Environ(), "TMPDIR="+dir)
	out, in := io.Pipe()
	p.cmd.Stdout, p.cmd.Stderr = in, in
	if err := p.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	running.Lock()
	running.all = append(running.all, p)
	running.Unlock()
	go func() {
		for lines := bufio.NewScanner(out); lines.Scan(); {
			p.said <- lines.Text()
		}
	}()
	return p
}

// hears waits for a line that fits, and returns what its group holds.
func (p *program) hears(t *testing.T, pattern string) string {
	t.Helper()
	exp, late := regexp.MustCompile(pattern), time.After(2*patience)
	for {
		select {
		case line := <-p.said:
			p.log = append(p.log, line)
			if m := exp.FindStringSubmatch(line); m != nil {
				return m[1]
			}
		case <-late:
			t.Fatalf("it does not say %s; it said\n%s", pattern, strings.Join(p.log, "\n"))
		}
	}
}

// end ends the program as an owner does; kill as a power cut does.
func (p *program) end()  { p.signal(syscall.SIGTERM) }
func (p *program) kill() { p.signal(syscall.SIGKILL) }

func (p *program) signal(s syscall.Signal) {
	if p.cmd.ProcessState == nil {
		_ = p.cmd.Process.Signal(s)
		_ = p.cmd.Wait()
	}
}

// demo is the one demo of the run: the usual campus, with a little of everything
// that can be wrong. Only what leaves it as it is may look at it.
var demo struct {
	sync.Once
	url, training string
}

// demonstration starts the demo, or returns where it is.
func demonstration(t *testing.T) (url, training string) {
	t.Helper()
	needsBrowser(t)
	demo.Do(func() {
		p := start(t, "demo", "--listen", "127.0.0.1:0")
		demo.url = strings.TrimSuffix(p.hears(t, `worst first\s+(http://\S+)`), "/")
		demo.training = p.hears(t, `curl (http://\S+)/faults`)
	})
	if demo.training == "" {
		t.Fatal("the demo does not run")
	}
	return demo.url, demo.training
}

// freePort is a port of this machine that nobody listens on.
func freePort(t *testing.T) int {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().(*net.TCPAddr).Port
}

// put sends a trouble to the simulator's own port.
func put(t *testing.T, training, fault string) {
	t.Helper()
	answer, err := http.Post(training+"/faults", "application/json", strings.NewReader(fault))
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if said, _ := io.ReadAll(answer.Body); answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s", answer.Status, said)
	}
}

// get reads JSON from a daemon.
func get[T any](t *testing.T, url string) (value T) {
	t.Helper()
	answer, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	if answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s", url, answer.Status)
	}
	if err := json.NewDecoder(answer.Body).Decode(&value); err != nil {
		t.Fatal(fmt.Errorf("%s: %w", url, err))
	}
	return value
}
