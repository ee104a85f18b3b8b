package main

import (
	"context"
	"flag"
	"fmt"
	"io"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	"fanwarden/cmd/fanwarden/internal/daemon"
)

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
