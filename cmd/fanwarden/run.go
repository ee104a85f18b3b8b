package main

import (
	"context"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime/debug"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/cmd/fanwarden/internal/daemon"
)

// spareMemory is how much memory may hold what nobody needs any more, in percent
// of what is needed. A fleet's state stays and what comes and goes beside it is
// little, so that collecting five times as often costs less than a hundredth of a
// core, and saves a third of the memory.
const spareMemory = 20

// run is the daemon. It ends with status 0 on SIGTERM and on ctrl-C.
func run(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("run", flag.ContinueOnError)
	path := fleetFlag(flags)
	if err := p.parse(flags, args, 0, "--config FILE", "config"); err != nil {
		return status(err)
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(spareMemory)
	}
	log := newLogger(p.stderr)
	defer log.Sync()
	d, err := daemon.Start(daemon.Options{Path: *path, Fleet: fleet, Version: version, Log: log})
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden run:", err)
		return couldNotRun
	}
	defer d.Stop()
	for {
		select {
		case <-ctx.Done():
			log.Info("stopping")
			return allWell
		case <-p.hangup:
			d.Reload()
		case err := <-d.Failed():
			fmt.Fprintln(p.stderr, "fanwarden run:", err)
			return foundWrong
		}
	}
}

// newLogger returns a logger that writes one line of JSON an event, with times
// in UTC, so that a log may be sorted and searched by any tool.
func newLogger(w io.Writer) *zap.Logger {
	encoding := zap.NewProductionEncoderConfig()
	encoding.TimeKey, encoding.MessageKey = "time", "event"
	encoding.EncodeTime = zapcore.RFC3339TimeEncoder
	sink := zapcore.Lock(zapcore.AddSync(w))
	return zap.New(zapcore.NewCore(zapcore.NewJSONEncoder(encoding), sink, zapcore.InfoLevel))
}
