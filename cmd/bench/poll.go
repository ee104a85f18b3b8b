package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/modbus"
	"fanwarden/poller/reading"
)

// Each gateway of the contest has so many units with so many registers each, as
// a large fleet has them.
const (
	pollUnits     = 50
	pollRegisters = 10
)

// pollContest sets the poller beside a C program on libmodbus. Each is a
// process of its own, and a third one answers both.
func pollContest(gateways int) contest {
	name := "poll" + strconv.Itoa(gateways)
	beside := "C on libmodbus, a thread a gateway"
	what := fmt.Sprintf("of %d gateways", gateways)
	rate := row{Name: name + "-rate", What: "readings a second " + what, Beside: beside, Unit: "1/s"}
	cpu := row{Name: name + "-cpu", What: "CPU a reading " + what, Beside: beside, Unit: "us"}
	if gateways == 1 {
		what = "of 1 gateway"
		cpu.Aim = &aim{Of: "ratio", Most: 1.5}
	} else {
		rate.Aim = &aim{Of: "ratio", Least: 1}
	}
	return contest{name: name, rows: []row{rate, cpu},
		prepare: func(ctx context.Context, b *bench) (ours, theirs side, err error) {
			peer, err := b.buildC(ctx, "libmodbus_poller")
			if err != nil {
				return nil, nil, err
			}
			me, err := itself()
			if err != nil {
				return nil, nil, err
			}
			server, err := b.child(ctx, "answer", "--gateways", strconv.Itoa(gateways))
			if err != nil {
				return nil, nil, err
			}
			ports, err := server.line()
			if err != nil {
				return nil, nil, err
			}
			seconds := sized(b, "2", "0.05")
			with := func(program string, before ...string) side {
				args := append(before, seconds, strconv.Itoa(pollUnits), strconv.Itoa(pollRegisters))
				args = append(args, strings.Fields(ports)...)
				return func(ctx context.Context) (figures, error) { return pollOnce(ctx, b.tell, name, program, args) }
			}
			return with(me, "poll"), with(peer), nil
		}}
}

// pollOnce runs one of the two pollers, again where a busy machine left it no
// time for a single reading.
func pollOnce(ctx context.Context, tell io.Writer, name, program string, args []string) (figures, error) {
	const tries = 20
	for range tries {
		line, err := oneLine(ctx, tell, program, args...)
		if err != nil {
			return nil, err
		}
		var readings, seconds, cpu float64
		if _, err := fmt.Sscan(line, &readings, &seconds, &cpu); err != nil {
			return nil, fmt.Errorf("%q is not readings, seconds and CPU: %w", line, err)
		}
		if readings > 0 {
			return figures{name + "-rate": readings / seconds, name + "-cpu": cpu / readings * 1e6}, nil
		}
	}
	return nil, fmt.Errorf("no reading in any of %d runs", tries)
}

// pollCommand is the process of our side: the daemon's poller, without pause
// between its cycles, and nothing behind it. Its arguments and its output are
// those of testdata/peers/libmodbus_poller.c.
func pollCommand(ctx context.Context, args []string, _ io.Reader, out, diagnostics io.Writer) error {
	flags := flag.NewFlagSet("poll", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	if err := flags.Parse(args); err != nil {
		return err
	}
	if flags.NArg() < 4 {
		return errors.New("usage: bench poll SECONDS UNITS REGISTERS PORT...")
	}
	seconds, err := strconv.ParseFloat(flags.Arg(0), 64)
	units, err2 := strconv.Atoi(flags.Arg(1))
	registers, err3 := strconv.Atoi(flags.Arg(2))
	if err := errors.Join(err, err2, err3); err != nil {
		return err
	}
	var urls []string
	for _, port := range flags.Args()[3:] {
		urls = append(urls, "tcp://127.0.0.1:"+port)
	}
	fleet, err := pollFleet(units, registers, urls, "")
	if err != nil {
		return err
	}
	return countReadings(ctx, fleet, time.Duration(seconds*float64(time.Second)), out)
}

// countReadings polls a fleet and prints what a span of it brought.
func countReadings(ctx context.Context, fleet *config.Fleet, span time.Duration, out io.Writer) error {
	var readings, failed atomic.Int64
	var first sync.WaitGroup
	first.Add(len(fleet.Gateways))
	begun := make(map[reading.GatewayID]*sync.Once, len(fleet.Gateways))
	for _, g := range fleet.Gateways {
		begun[g.ID] = new(sync.Once)
	}
	p := poller.New(dial, func(c *poller.Cycle) {
		for i := range c.Readings {
			if c.Readings[i].Outcome != reading.OK {
				failed.Add(1)
			}
		}
		readings.Add(int64(len(c.Readings)))
		begun[c.Gateway].Do(first.Done)
	}, zap.NewNop())
	p.Start(fleet)
	defer p.Stop()
	first.Wait()
	began, used, before := time.Now(), processorTime(), readings.Load()
	select {
	case <-time.After(span):
	case <-ctx.Done():
		return ctx.Err()
	}
	n, took, cpu := readings.Load()-before, time.Since(began), processorTime()-used
	if failed.Load() > 0 {
		return fmt.Errorf("%d readings failed", failed.Load())
	}
	_, err := fmt.Fprintf(out, "%d %.9f %.9f\n", n, took.Seconds(), cpu.Seconds())
	return err
}

// dial opens a session as the daemon does.
func dial(ctx context.Context, g *config.Gateway) (poller.Session, error) {
	session, err := modbus.Open(ctx, modbus.Options{Scheme: g.Scheme, Address: g.Address, Timeout: g.Timeout, Baud: g.SerialBaud(), Log: zap.NewNop()})
	if err != nil {
		return nil, err // not a nil *Session inside a Session
	}
	return session, nil
}

// points are the names of registers that are read side by side.
var points = []string{"pressure", "speed", "setpoint", "rpm", "power", "run_hours", "energy", "min_speed", "max_speed", "idle_below"}

// unitOf is the unit of measure that each of the points has in the fleet.
var unitOf = map[string]string{"pressure": "Pa", "speed": "ratio", "setpoint": "Pa", "rpm": "rpm", "power": "W", "run_hours": "h",
	"energy": "kWh", "min_speed": "ratio", "max_speed": "ratio", "idle_below": "ratio"}

// pollFleet is a fleet whose gateways are read again as soon as they have been
// read.
//
// more is what the fleet file says of each gateway beside.
func pollFleet(units, registers int, urls []string, more string) (*config.Fleet, error) {
	if registers > len(points) {
		return nil, fmt.Errorf("at most %d registers can be read", len(points))
	}
	var text strings.Builder
	fmt.Fprint(&text, "[fleet]\ntimezone = \"UTC\"\n[[buildings]]\nid = \"b\"\n[pointmaps.m]\n")
	for i, p := range points[:registers] {
		fmt.Fprintf(&text, "points.%s = {table = \"input\", address = %d, type = \"uint16\", unit = %q}\n", p, i, unitOf[p])
	}
	for i, url := range urls {
		fmt.Fprintf(&text, "[[gateways]]\nid = \"g%d\"\nbuilding = \"b\"\nurl = %q\n%s", i, url, more)
		for unit := range units {
			fmt.Fprintf(&text, "[[fans]]\nid = \"g%d-f%d\"\ngateway = \"g%d\"\nunit = %d\npointmap = \"m\"\nprobe = \"suction\"\nsetpoint = \"-30 Pa\"\n", i, unit, i, unit+1)
		}
	}
	fleet, faults := config.Parse("bench.toml", []byte(text.String()), os.ReadFile)
	if len(faults) > 0 {
		return nil, fmt.Errorf("the fleet of the bench has %d faults, the first: %s", len(faults), faults[0])
	}
	for _, g := range fleet.Gateways {
		g.PollEvery = time.Nanosecond // no fleet file may ask for that
	}
	return fleet, nil
}
