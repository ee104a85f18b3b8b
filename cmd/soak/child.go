package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"

	"fanwarden/rules/condition"
)

// child is a daemon in a process of its own.
type child struct {
	cmd   *exec.Cmd
	began time.Time
	url   string
	ended chan struct{} // closed when the process is gone and its log read

	mu     sync.Mutex
	errors map[string]int // lines of the log that are errors or worse, by their event
	raw    []string       // lines that are no events: a panic, for one
}

// startWithin bounds how long a daemon may take until it listens.
const startWithin = 30 * time.Second

func (s *soak) start() (*child, error) {
	c := &child{cmd: exec.Command(s.o.path("fanwarden"), "run", "--config", s.o.path("fleet.toml")), began: time.Now(),
		ended: make(chan struct{}), errors: make(map[string]int)}
	c.cmd.Dir = s.o.dir
	c.cmd.Env = append(os.Environ(), clockVariable+"="+s.clock.path, "NO_PROXY=*")
	stderr, err := c.cmd.StderrPipe()
	if err != nil {
		return nil, err
	}
	log, err := os.OpenFile(s.o.path("daemon.log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o644)
	if err != nil {
		return nil, err
	}
	if err := c.cmd.Start(); err != nil {
		return nil, err
	}
	listening := make(chan string, 1)
	go c.follow(stderr, log, listening, s.conditions.raisedBy)
	select {
	case c.url = <-listening:
		return c, nil
	case <-c.ended:
		err = errors.New("it ended before it listened")
	case <-time.After(startWithin):
		err = fmt.Errorf("it does not listen within %v", startWithin)
		c.kill()
	}
	return nil, fmt.Errorf("the daemon: %w; its log is %s", err, s.o.path("daemon.log"))
}

// follow reads the log to its end.
func (c *child) follow(from io.Reader, log *os.File, listening chan string, raised func(standing, string)) {
	defer close(c.ended)
	defer log.Close()
	lines := bufio.NewScanner(from)
	lines.Buffer(nil, 1<<20)
	for lines.Scan() {
		fmt.Fprintln(log, lines.Text())
		var e struct{ Level, Event, URL, Fan, Gateway, Condition, Summary string }
		switch err := json.Unmarshal(lines.Bytes(), &e); {
		case err != nil:
			c.mu.Lock()
			c.raw = append(c.raw, lines.Text())
			c.mu.Unlock()
		case e.Level != "info" && e.Level != "warn":
			c.mu.Lock()
			c.errors[e.Level+": "+e.Event]++
			c.mu.Unlock()
		case e.Event == "raised":
			if e.Fan == "" {
				e.Fan = e.Gateway
			}
			raised(standing{e.Fan, condition.Name(e.Condition)}, e.Summary)
		case e.Event == "listening":
			listening <- strings.TrimSuffix(e.URL, "/")
		}
	}
	c.cmd.Wait()
}

func (c *child) pid() int { return c.cmd.Process.Pid }

// gone reports whether the process has ended.
func (c *child) gone() bool {
	select {
	case <-c.ended:
		return true
	default:
		return false
	}
}

// kill ends the process as a power cut does, and waits for it.
func (c *child) kill() {
	c.cmd.Process.Kill()
	<-c.ended
}

// stop ends it as an administrator does; false if that takes too long.
func (c *child) stop() bool {
	c.cmd.Process.Signal(syscall.SIGTERM)
	select {
	case <-c.ended:
		return true
	case <-time.After(20 * time.Second):
		c.kill()
		return false
	}
}

// said returns what the log had that is no event, and its errors.
func (c *child) said() (raw []string, errors map[string]int) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.raw, c.errors
}
