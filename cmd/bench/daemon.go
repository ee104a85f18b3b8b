package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"time"
)

// How long a fleet is given until every gateway was read, and how long the
// daemon then runs before it is measured.
const (
	readyWithin = 2 * time.Minute
	settle      = 20 * time.Second
)

// scaleOnce runs a simulated field and the daemon over it, and measures.
func (b *bench) scaleOnce(ctx context.Context, o *scaleOptions) (*scaled, error) {
	within := &bench{folder: b.folder, tell: b.tell, program: b.program}
	defer within.close()
	fleet, field, err := within.writeFleet(o)
	if err != nil {
		return nil, err
	}
	if err := within.startField(ctx, field); err != nil {
		return nil, err
	}
	d, err := within.startDaemon(ctx, fleet)
	if err != nil {
		return nil, err
	}
	if err := d.ready(ctx); err != nil {
		return nil, err
	}
	if err := wait(ctx, o.settle); err != nil {
		return nil, err
	}
	return within.measureDaemon(ctx, d, o)
}

// writeFleet writes the fleet file of a run, and that of what is there of it, into
// a folder of its own.
func (b *bench) writeFleet(o *scaleOptions) (path, there string, err error) {
	folder, err := os.MkdirTemp(b.folder, "scale")
	if err != nil {
		return "", "", err
	}
	b.after(func() { os.RemoveAll(folder) })
	p := plan{fans: o.fans, gateways: o.gateways, url: onLoopback(o.port), every: o.every, head: "[web]\nlisten = \"127.0.0.1:0\"\n"}
	if o.history {
		p.head += fmt.Sprintf("[store]\ndir = %q\n", filepath.Join(folder, "store"))
	}
	path, there = filepath.Join(folder, "fleet.toml"), filepath.Join(folder, "there.toml")
	if err := os.WriteFile(path, []byte(p.text()), 0o600); err != nil {
		return "", "", err
	}
	if o.troubles {
		p.present = present
	}
	return path, there, os.WriteFile(there, []byte(p.text()), 0o600)
}

// startField starts the simulator and waits until it serves: it then lists what.
func (b *bench) startField(ctx context.Context, fleet string) error {
	field, err := start(ctx, io.Discard, b.program, "sim", "--config", fleet, "--control", "")
	if err != nil {
		return err
	}
	b.after(field.interrupt)
	if _, err := field.line(); err != nil {
		return err
	}
	go io.Copy(io.Discard, field.out)
	return nil
}

// watcher is a daemon that runs.
type watcher struct {
	*child
	url string
}

// startDaemon starts the daemon and finds where it listens.
func (b *bench) startDaemon(ctx context.Context, fleet string) (*watcher, error) {
	reader, writer, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	c, err := start(ctx, writer, b.program, "run", "--config", fleet)
	writer.Close()
	if err != nil {
		return nil, errors.Join(err, reader.Close())
	}
	b.after(func() { c.interrupt(); reader.Close() })
	lines := json.NewDecoder(reader)
	for {
		var event struct {
			Event string `json:"event"`
			URL   string `json:"url"`
		}
		if err := lines.Decode(&event); err != nil {
			return nil, fmt.Errorf("the daemon did not say where it listens: %w", err)
		}
		if event.Event == "listening" {
			go io.Copy(io.Discard, reader)
			return &watcher{child: c, url: strings.TrimSuffix(event.URL, "/")}, nil
		}
	}
}

// ready waits until every gateway was read.
func (d *watcher) ready(ctx context.Context) error {
	for end := time.Now().Add(readyWithin); time.Now().Before(end); {
		answer, err := http.Get(d.url + "/readyz")
		if err == nil {
			answer.Body.Close()
			if answer.StatusCode == http.StatusOK {
				return nil
			}
		}
		if err := wait(ctx, 200*time.Millisecond); err != nil {
			return err
		}
	}
	return fmt.Errorf("the daemon is not ready after %s", readyWithin)
}

// present reports whether a fan is there where there are troubles: every tenth
// unit is silent, and every tenth gateway is gone.
func present(gateway, unit int) bool { return !gone(gateway) && unit%10 != 0 }

// gone reports whether a gateway is gone where there are troubles.
func gone(gateway int) bool { return gateway%10 == 9 }

// wait waits for a span, or fails when ctx ends.
func wait(ctx context.Context, span time.Duration) error {
	select {
	case <-time.After(span):
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
