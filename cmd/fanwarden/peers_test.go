package main

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// peersDir holds the gateways that the tests talk to; nothing in them is ours
// but the script around the library.
const peersDir = "../../testdata/peers"

// missing skips a test whose peer is not on this machine. Where
// FANWARDEN_PEERS is "required" nothing may be skipped.
func missing(t *testing.T, what string, err error) {
	t.Helper()
	if err == nil {
		return
	}
	if os.Getenv("FANWARDEN_PEERS") == "required" {
		t.Fatalf("%s is required here: %v", what, err)
	}
	t.Skipf("skipped: %s is not on this machine (%v); testdata/run installs it", what, err)
}

// peer is a gateway that another library serves, driven line by line.
type peer struct {
	t    *testing.T
	in   io.Writer
	out  *bufio.Scanner
	port string
}

// startPeer starts a gateway program and waits until it listens.
func startPeer(t *testing.T, name string, args ...string) *peer {
	t.Helper()
	cmd := exec.Command(name, args...)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		in.Close() // a peer ends with its input
		cmd.Process.Kill()
		cmd.Wait()
	})
	p := &peer{t: t, in: in, out: bufio.NewScanner(out)}
	p.port = strings.TrimPrefix(p.line(), "listening ")
	return p
}

func (p *peer) line() string {
	p.t.Helper()
	if !p.out.Scan() {
		p.t.Fatalf("the peer ended: %v", p.out.Err())
	}
	return p.out.Text()
}

// do sends one command and waits until it was obeyed.
func (p *peer) do(format string, args ...any) {
	p.t.Helper()
	fmt.Fprintf(p.in, format+"\n", args...)
	if answer := p.line(); answer != "done" {
		p.t.Fatalf("the peer says %q", answer)
	}
}

// startPymodbus serves a gateway on Debian's python3-pymodbus; framing is
// "tcp" or "rtu" (RTU frames over TCP).
func startPymodbus(t *testing.T, framing string) *peer {
	t.Helper()
	const python = "/usr/bin/python3" // Debian's, which sees Debian's packages
	missing(t, "python3-pymodbus", exec.Command(python, "-c", "import pymodbus").Run())
	return startPeer(t, python, filepath.Join(peersDir, "pymodbus_gateway.py"), framing)
}

// startLibmodbus builds and serves a gateway on Debian's libmodbus.
func startLibmodbus(t *testing.T) *peer {
	t.Helper()
	flags, err := exec.Command("pkg-config", "--cflags", "--libs", "libmodbus").Output()
	missing(t, "libmodbus-dev", err)
	program := filepath.Join(t.TempDir(), "libmodbus_gateway")
	args := append([]string{"-o", program, filepath.Join(peersDir, "libmodbus_gateway.c")}, strings.Fields(string(flags))...)
	if out, err := exec.Command("cc", args...).CombinedOutput(); err != nil {
		t.Fatalf("build the libmodbus gateway: %v\n%s", err, out)
	}
	return startPeer(t, program)
}
