package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// child is a process that the bench started and that tells one thing first.
type child struct {
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
}

// start starts a program, whose input stays open until it is to end.
func start(ctx context.Context, tell io.Writer, name string, args ...string) (*child, error) {
	c := &child{cmd: exec.CommandContext(ctx, name, args...)}
	c.cmd.Stderr = tell
	in, err := c.cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	out, err := c.cmd.StdoutPipe()
	if err != nil {
		return nil, err
	}
	c.in, c.out = in, bufio.NewReader(out)
	return c, c.cmd.Start()
}

// child starts a process of this program's own, until the contest is over.
func (b *bench) child(ctx context.Context, args ...string) (*child, error) {
	me, err := itself()
	if err != nil {
		return nil, err
	}
	c, err := start(ctx, b.tell, me, args...)
	if err == nil {
		b.after(c.end)
	}
	return c, err
}

// line reads a line of what the process prints.
func (c *child) line() (string, error) {
	line, err := c.out.ReadString('\n')
	if err != nil {
		return "", fmt.Errorf("%s ended: %w", filepath.Base(c.cmd.Path), errors.Join(err, c.cmd.Wait()))
	}
	return strings.TrimSpace(line), nil
}

// end closes the input of the process and waits for its end.
func (c *child) end() {
	c.in.Close()
	_ = c.cmd.Wait() // it was asked to end; how does not matter
}

// interrupt has the process end as by ctrl-C, and waits for it.
func (c *child) interrupt() {
	_ = c.cmd.Process.Signal(os.Interrupt) // it may have ended already
	c.end()
}

// oneLine runs a program to its end and returns the line that it prints.
func oneLine(ctx context.Context, tell io.Writer, name string, args ...string) (string, error) {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Stderr = tell
	out, err := cmd.Output()
	if err != nil {
		return "", fmt.Errorf("%s: %w", filepath.Base(name), err)
	}
	return strings.TrimSpace(string(out)), nil
}

// itself is the program that runs now, to be started again.
func itself() (string, error) { return os.Executable() }

// root is the folder of the project.
func root(ctx context.Context) (string, error) {
	out, err := exec.CommandContext(ctx, "go", "list", "-m", "-f", "{{.Dir}}").Output()
	dir := strings.TrimSpace(string(out))
	if err != nil || dir == "" {
		return "", errors.New("the bench builds the daemon and a C program: run it inside the project's folder")
	}
	return dir, nil
}

// buildC builds a program of testdata/peers that stands on libmodbus.
func (b *bench) buildC(ctx context.Context, name string) (string, error) {
	dir, err := root(ctx)
	if err != nil {
		return "", err
	}
	flags, err := exec.CommandContext(ctx, "pkg-config", "--cflags", "--libs", "libmodbus").Output()
	if err != nil {
		return "", fmt.Errorf("pkg-config finds no libmodbus (Debian packages pkg-config and libmodbus-dev): %w", err)
	}
	program := filepath.Join(b.folder, name)
	args := []string{"-O2", "-o", program, filepath.Join(dir, "testdata", "peers", name+".c")}
	args = append(args, strings.Fields(string(flags))...)
	if out, err := exec.CommandContext(ctx, "cc", append(args, "-lpthread")...).CombinedOutput(); err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", name, err, out)
	}
	return program, nil
}

// build builds a command of this project as it is shipped: with its profile
// where there is time for that.
func (b *bench) build(ctx context.Context, name string) (string, error) {
	dir, err := root(ctx)
	if err != nil {
		return "", err
	}
	program := filepath.Join(b.folder, name)
	cmd := exec.CommandContext(ctx, "go", "build", "-pgo="+sized(b, "auto", "off"), "-o", program, "./cmd/"+name)
	cmd.Dir = dir
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build %s: %w\n%s", name, err, out)
	}
	return program, nil
}

// processorTime is what this process has taken of the processors so far.
func processorTime() time.Duration {
	var used syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &used) != nil {
		return 0
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
