package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"net"
	"net/http"
	"strings"
	"text/tabwriter"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller/field"
)

const simSynopsis = "--config FILE [--control ADDR] [--seed N]"

// simHelp is what `fanwarden sim --help` says before the flags.
const simHelp = simSynopsis + `

Serves stand-in fans and controllers at every url of FILE that is on the
loopback (127.x.x.x, ::1 or localhost; tcp, rtuovertcp, udp and bacnet), in real
time, until it is stopped. A BACnet gateway is a router and a BBMD: device 1203
has address 3 on network 12 behind it, and one below 100 stands beside it.

` + trainingHelp

// defaultControl is where the training port listens.
const defaultControl = "127.0.0.1:9641"

// sim serves a simulated field. It ends with status 0 on SIGTERM and on ctrl-C.
func sim(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("sim", flag.ContinueOnError)
	path := fleetFlag(flags)
	control := flags.String("control", defaultControl, "`ADDR` of the training port; empty: none")
	seed := flags.Uint64("seed", 1, "`N` decides what is left to chance")
	if err := p.parse(flags, args, 0, simHelp, "config"); err != nil {
		return status(err)
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	log := newLogger(p.stderr)
	defer log.Sync()
	server, err := field.Serve(ctx, field.New(fleet, *seed, time.Now()), log, field.ServeOptions{Seed: *seed})
	if err != nil {
		fmt.Fprintf(p.stderr, "fanwarden sim: %v\nFree the address, or write a url with another port for the gateway.\n", err)
		return couldNotRun
	}
	defer server.Close()
	stop, where, err := serveTraining(*control, server, log)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden sim:", err)
		return couldNotRun
	}
	defer stop()
	p.tellServed(fleet, server, where)
	<-ctx.Done()
	log.Info("stopping")
	return allWell
}

// tellServed prints what is served where.
func (p *process) tellServed(fleet *config.Fleet, server *field.Server, training string) {
	fans := make(map[*config.Gateway]int)
	for _, fan := range fleet.Fans {
		fans[fan.Gateway]++
	}
	table := tabwriter.NewWriter(p.stdout, 0, 0, 2, ' ', 0)
	for _, g := range server.Served() {
		fmt.Fprintf(table, "%s\t%s\t%s\n", g.ID, g.URL, count(fans[g], "fan"))
	}
	table.Flush()
	if training != "" {
		fmt.Fprintf(p.stdout, "\nTraining port: %s (`curl %s` says how to put troubles on)\n", training, training)
	}
}

// headerLimit bounds how long a caller may take to say what it wants.
const headerLimit = 5 * time.Second

// serveTraining opens the training port; an empty address is none. Only an
// address of this machine is taken, as anyone who reaches the port may use it.
func serveTraining(address string, server *field.Server, log *zap.Logger) (stop func(), url string, err error) {
	if address == "" {
		return func() {}, "", nil
	}
	if host, _, err := net.SplitHostPort(address); err != nil || host != "localhost" && !net.ParseIP(host).IsLoopback() {
		return nil, "", fmt.Errorf("--control is %q; write an address of this machine and a port, as in %s", address, defaultControl)
	}
	listener, err := net.Listen("tcp", address)
	if err != nil {
		return nil, "", fmt.Errorf("the training port: %w; choose another with --control", err)
	}
	web := &http.Server{ErrorLog: zap.NewStdLog(log), ReadHeaderTimeout: headerLimit, ReadTimeout: 2 * headerLimit}
	url = "http://" + listener.Addr().String()
	web.Handler = trainingPort(server, log, strings.NewReplacer("ADDR", url))
	done := make(chan struct{})
	go func() {
		defer close(done)
		if err := web.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			log.Error("the training port has failed", zap.Error(err))
		}
	}()
	return func() { web.Close(); <-done }, url, nil
}
