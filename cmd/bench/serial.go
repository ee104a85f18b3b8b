package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"strconv"
	"sync/atomic"
	"time"

	"flag"

	"go.uber.org/zap"

	"fanwarden/config"
	"fanwarden/poller"
	"fanwarden/poller/field"
	"fanwarden/poller/reading"
)

// serialUnits share the line; serialFew where it shall be quick.
const (
	serialUnits = 8
	serialFew   = 1
)

// lineSchemes are the ways to a serial line, with what each row calls them.
var lineSchemes = []struct{ scheme, name, what string }{
	{"tcp", "gateway", "a line behind a Modbus TCP gateway"},
	{"rtuovertcp", "server", "a line behind a serial server"},
	{"rtu", "port", "a line at a serial port"},
}

// serialContest sets a cycle on a serial line beside the least time that it can
// take (poller.Plan.Floor). The line is simulated, in a process of its own, and
// its units answer at once, as the floor has it.
func serialContest(baud int) contest {
	c := contest{name: "serial" + strconv.Itoa(baud)}
	for _, s := range lineSchemes {
		c.rows = append(c.rows, row{Name: c.name + "-" + s.name, What: fmt.Sprintf("a cycle of %d units at %d baud, %s", serialUnits, baud, s.what),
			Beside: "the line's floor", Unit: "ms", Aim: &aim{Of: "ratio", Most: 1.05}})
	}
	c.prepare = func(ctx context.Context, b *bench) (ours, theirs side, err error) {
		fleets := make(map[string]*config.Fleet)
		floors, units := figures{}, sized(b, serialUnits, serialFew)
		for i, s := range lineSchemes {
			server, err := b.child(ctx, "line", "--units", strconv.Itoa(units), "--scheme", s.scheme, "--baud", strconv.Itoa(baud))
			if err != nil {
				return nil, nil, err
			}
			url, err := server.line()
			if err != nil {
				return nil, nil, err
			}
			fleet, err := pollFleet(units, pollRegisters, []string{url}, speedOf(s.scheme, baud))
			if err != nil {
				return nil, nil, err
			}
			name := c.rows[i].Name
			fleets[name] = fleet
			floors[name] = milliseconds(poller.PlanGateway(fleet.Gateways[0], fleet.Fans).Floor(baud))
		}
		span := sized(b, 2*time.Second, 0)
		ours = func(ctx context.Context) (figures, error) {
			got := figures{}
			for name, fleet := range fleets {
				took, err := cycleTime(ctx, fleet, span)
				if err != nil {
					return nil, fmt.Errorf("%s: %w", name, err)
				}
				got[name] = milliseconds(took)
			}
			return got, nil
		}
		return ours, func(context.Context) (figures, error) { return floors, nil }, nil
	}
	return c
}

// speedOf is what the fleet file says of a line's speed.
func speedOf(scheme string, baud int) string {
	if scheme == "rtu" {
		return fmt.Sprintf("baud = %d\n", baud)
	}
	return fmt.Sprintf("line_baud = %d\n", baud)
}

func milliseconds(d time.Duration) float64 { return float64(d) / float64(time.Millisecond) }

// cycleTime polls a fleet of one gateway for a span and some cycles at least, and
// returns how long it takes from one cycle's start to the next one's, in the
// median: the machine may do something else now and then.
func cycleTime(ctx context.Context, fleet *config.Fleet, span time.Duration) (time.Duration, error) {
	var first, last time.Time
	var cycles []float64
	var failed atomic.Int64
	took := make(chan time.Duration, 1)
	p := poller.New(dial, func(c *poller.Cycle) {
		for i := range c.Readings {
			if c.Readings[i].Outcome != reading.OK {
				failed.Add(1)
			}
		}
		if first.IsZero() { // the first one connects
			first = c.Start.Add(c.Took)
			return
		}
		if !last.IsZero() {
			cycles = append(cycles, float64(c.Start.Sub(last)))
		}
		if last = c.Start; len(cycles) > 2 && last.Sub(first) >= span {
			select {
			case took <- time.Duration(median(cycles)):
			default:
			}
		}
	}, zap.NewNop())
	p.Start(fleet)
	defer p.Stop()
	select {
	case middle := <-took:
		if n := failed.Load(); n > 0 {
			return 0, fmt.Errorf("%d readings failed", n)
		}
		return middle, nil
	case <-ctx.Done():
		return 0, ctx.Err()
	case <-time.After(span + time.Minute):
		return 0, fmt.Errorf("no cycle ended in time")
	}
}

// lineCommand is the process of a serial line. It prints the url and ends with
// its input.
func lineCommand(ctx context.Context, args []string, in io.Reader, out, diagnostics io.Writer) error {
	flags := flag.NewFlagSet("line", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	scheme := flags.String("scheme", "tcp", "tcp, rtuovertcp or rtu")
	baud := flags.Int("baud", 9600, "speed of the line in bit/s")
	units := flags.Int("units", serialUnits, "how many units share it")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if *scheme == "rtu" {
		port, err := openPort(*baud)
		if err != nil {
			return err
		}
		defer port.close()
		go port.serve()
		fmt.Fprintln(out, "rtu://"+port.name)
	} else {
		url, stop, err := simulate(ctx, *scheme, *baud, *units)
		if err != nil {
			return err
		}
		defer stop()
		fmt.Fprintln(out, url)
	}
	_, err := io.Copy(io.Discard, in)
	return err
}

// simulate serves a line of the simulated field.
func simulate(ctx context.Context, scheme string, baud, units int) (url string, stop func(), err error) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	url = scheme + "://" + listener.Addr().String()
	listener.Close() // the field listens by itself
	fleet, err := pollFleet(units, pollRegisters, []string{url}, speedOf(scheme, baud))
	if err != nil {
		return "", nil, err
	}
	server, err := field.Serve(ctx, field.New(fleet, 1, time.Now()), zap.NewNop(), field.ServeOptions{Seed: 1, Prompt: sleepUntil})
	if err != nil {
		return "", nil, err
	}
	return url, server.Close, nil
}
