//go:build linux

package deploy_test

import (
	"bufio"
	"bytes"
	"debug/elf"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"
)

// smallFleet has a zone, which the program must bring along, and a gateway
// where nobody listens.
const smallFleet = `
[fleet]
name       = "Harbor College"
timezone   = "America/Chicago"
poll_every = "1s"

[web]
listen = "127.0.0.1:0"

[store]
dir = ""

[pointmaps.rooftop]
protocol = "modbus"
[pointmaps.rooftop.points.pressure]
table   = "input"
address = 0
type    = "int16"
scale   = 0.1
unit    = "Pa"
[pointmaps.rooftop.points.speed]
table   = "input"
address = 1
type    = "uint16"
scale   = 0.1
unit    = "%"

[[buildings]]
id = "alder"

[[gateways]]
id       = "alder-roof"
building = "alder"
url      = "tcp://127.0.0.1:1"
timeout  = "200ms"

[[fans]]
id       = "alder-ef1"
gateway  = "alder-roof"
unit     = 1
pointmap = "rooftop"
probe    = "suction"
setpoint = "-30 Pa"
`

// TestProgramInAnEmptyRoot runs the program as the image does: as nobody, in a
// folder that holds it, its fleet file and an empty store, and nothing else: no
// libraries, no zones, no /proc, no /dev.
func TestProgramInAnEmptyRoot(t *testing.T) {
	if os.Geteuid() != 0 {
		missing(t, "only root may change the root folder of a program")
	}
	program := buildImage(t, "1.2.3")
	mustBeStatic(t, program)
	empty := layRoot(t, program)

	version := inside(empty, "/fanwarden", "version")
	if said, err := version.CombinedOutput(); err != nil || !strings.Contains(string(said), "1.2.3") {
		t.Fatalf("version: %v\n%s", err, said)
	}
	command := commandLine(t)
	daemon := inside(empty, command[0], command[1:]...)
	log, err := daemon.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := daemon.Start(); err != nil {
		t.Fatal(err)
	}
	defer func() { _ = daemon.Process.Kill() }()
	url := address(t, log)

	if got := get(t, url+"healthz", http.StatusOK); got != "ok\n" {
		t.Errorf("healthz says %q", got)
	}
	get(t, url+"readyz", http.StatusOK)
	metrics := get(t, url+"metrics", http.StatusOK)
	for _, series := range []string{`version="1.2.3"} 1`, `fanwarden_fan_up{building="alder",fan="alder-ef1"} 0`} {
		if !strings.Contains(metrics, series) {
			t.Errorf("no series %s in\n%s", series, metrics)
		}
	}
	if err := daemon.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := daemon.Wait(); err != nil {
		t.Errorf("after SIGTERM: %v", err)
	}
}

// mustBeStatic fails if the program wants a loader or a library.
func mustBeStatic(t *testing.T, program string) {
	t.Helper()
	file, err := elf.Open(program)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	for _, part := range file.Progs {
		if part.Type == elf.PT_INTERP {
			t.Error("the program wants a loader, and the image has none")
		}
	}
	if libraries, _ := file.ImportedLibraries(); len(libraries) > 0 {
		t.Errorf("the program wants %v, and the image has no libraries", libraries)
	}
}

// layRoot lays out the image's files. Its folder is one that nobody may enter
// by its path, so the way there is opened.
func layRoot(t *testing.T, program string) string {
	t.Helper()
	empty := t.TempDir()
	content, err := os.ReadFile(program)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(empty, "fanwarden"), content, 0o755); err != nil {
		t.Fatal(err)
	}
	write(t, filepath.Join(empty, "etc/fanwarden/fleet.toml"), smallFleet)
	store := filepath.Join(empty, "var/lib/fanwarden")
	if err := os.MkdirAll(store, 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.Chown(store, nobody, nobody); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(empty, 0o755); err != nil {
		t.Fatal(err)
	}
	return empty
}

const nobody = 65532 // the image's user

// inside makes a command that sees the folder as its root.
func inside(folder, name string, args ...string) *exec.Cmd {
	c := &exec.Cmd{Path: name, Args: append([]string{name}, args...), Dir: "/", Env: []string{},
		SysProcAttr: &syscall.SysProcAttr{Chroot: folder, Pdeathsig: syscall.SIGKILL,
			Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}}
	return c
}

// address waits for the line of the log that says where the daemon listens,
// and keeps reading so that the daemon never waits for its log.
func address(t *testing.T, log io.Reader) string {
	t.Helper()
	said := new(bytes.Buffer)
	lines := bufio.NewScanner(io.TeeReader(log, said))
	where := regexp.MustCompile(`http://127\.0\.0\.1:\d+/`)
	for lines.Scan() {
		if url := where.FindString(lines.Text()); url != "" {
			go func() { _, _ = io.Copy(io.Discard, log) }()
			return url
		}
	}
	t.Fatalf("the daemon ended and never said where it listens:\n%s", said)
	return ""
}

// get asks until the status is as wanted, for half a minute at most.
func get(t *testing.T, url string, want int) string {
	t.Helper()
	again := time.NewTicker(50 * time.Millisecond)
	defer again.Stop()
	enough := time.After(30 * time.Second)
	for {
		status, body, err := ask(url)
		if err == nil && status == want {
			return body
		}
		select {
		case <-again.C:
		case <-enough:
			t.Fatalf("%s: status %d, %v, want %d: %s", url, status, err, want, body)
		}
	}
}

func ask(url string) (status int, body string, err error) {
	answer, err := http.Get(url)
	if err != nil {
		return 0, "", fmt.Errorf("asking: %w", err)
	}
	defer answer.Body.Close()
	text, err := io.ReadAll(answer.Body)
	return answer.StatusCode, string(text), err
}
