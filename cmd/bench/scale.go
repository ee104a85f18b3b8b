package main

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"text/tabwriter"
	"time"
)

// scaleOptions say what a run of scale is.
type scaleOptions struct {
	fans, gateways int
	span           time.Duration
	settle         time.Duration // how long the daemon runs before it is measured, until its memory has settled
	every          time.Duration // the period; 0: 5 s
	port           int
	history        bool // readings are kept
	troubles       bool // a tenth of the units is silent and a tenth of the gateways is gone
}

// scaleAims are what a run of 10,000 fans behind 200 gateways is to come to.
const (
	mostCores    = 0.5
	mostMemory   = 300.0 // MB, without history
	mostWith     = 700.0 // MB, with it
	mostJitter   = 50.0  // ms, of 99 in 100 starts
	mostStraying = 0.05  // of a period, where others are silent
)

// stalledAt is from when on an oversleep of a process that does nothing else is
// the host's doing.
const stalledAt = 20 * time.Millisecond

// scaleCommand runs the daemon over a simulated field, each in a process of its
// own, and prints what it takes.
func scaleCommand(ctx context.Context, args []string, _ io.Reader, out, diagnostics io.Writer) error {
	var o scaleOptions
	flags := flag.NewFlagSet("scale", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	flags.IntVar(&o.fans, "fans", 10_000, "how many `fans`")
	flags.IntVar(&o.gateways, "gateways", 200, "how many `gateways`")
	flags.DurationVar(&o.span, "for", time.Minute, "how `long` each run is measured")
	o.settle = settle
	flags.IntVar(&o.port, "port", 41500, "`port` of the gateways, on addresses 127.1.x.x")
	flags.BoolVar(&o.history, "history", false, "keep readings")
	flags.BoolVar(&o.troubles, "troubles", false, "a tenth of the units is silent and a tenth of the gateways is gone")
	runs := flags.Int("runs", 5, "how many runs")
	asJSON := flags.Bool("json", false, "print JSON")
	if err := flags.Parse(args); err != nil {
		return err
	}
	if o.fans < o.gateways || o.gateways < 1 || *runs < 1 || o.span <= 0 || flags.NArg() > 0 {
		return errors.New("usage: bench scale [--fans N] [--gateways N] [--for 1m] [--runs N] [--history] [--troubles] [--json]; a fan at least behind each gateway")
	}
	all, err := scaleRuns(ctx, []scaleOptions{o}, *runs, diagnostics)
	if err != nil {
		return err
	}
	m := middle(all[0])
	missed := m.against(&o)
	if *asJSON {
		encoder := json.NewEncoder(out)
		encoder.SetIndent("", "  ")
		err = encoder.Encode(map[string]any{"runs": all[0], "median": m, "missed": missed})
	} else {
		printScale(out, all[0], m)
	}
	for _, what := range missed {
		fmt.Fprintln(diagnostics, "missed:", what)
	}
	if len(missed) > 0 {
		err = errors.Join(err, errMissed)
	}
	return err
}

// growthCommand runs fleets of several sizes and prints what each fan costs.
func growthCommand(ctx context.Context, args []string, _ io.Reader, out, diagnostics io.Writer) error {
	flags := flag.NewFlagSet("growth", flag.ContinueOnError)
	flags.SetOutput(diagnostics)
	list := flags.String("fans", "100,1000,10000,30000", "the sizes, with commas between; 50 fans behind each gateway")
	span := flags.Duration("for", 30*time.Second, "how `long` each run is measured")
	port := flags.Int("port", 41500, "`port` of the gateways, on addresses 127.1.x.x")
	runs := flags.Int("runs", 3, "how many runs of each")
	history := flags.Bool("history", false, "keep readings")
	if err := flags.Parse(args); err != nil {
		return err
	}
	sizes, err := numbers(*list)
	if err != nil || *runs < 1 || *span <= 0 || flags.NArg() > 0 {
		return errors.Join(err, errors.New("usage: bench growth [--fans LIST] [--for 30s] [--runs N] [--history]"))
	}
	var all []scaleOptions
	for _, n := range sizes {
		all = append(all, scaleOptions{fans: n, gateways: (n + 49) / 50, span: *span, settle: settle, port: *port, history: *history})
	}
	results, err := scaleRuns(ctx, all, *runs, diagnostics)
	if err != nil {
		return err
	}
	table := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(table, "fans\treadings/s\tCPU us a reading\tmemory KB a fan\tmemory MB\tcores\tstart p99 ms\tmissed\tscrape ms")
	for i := range results {
		m := middle(results[i])
		fmt.Fprintf(table, "%d\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s\n", all[i].fans, number(m.Rate), number(m.Cores/m.Rate*1e6), number(m.Memory*1000/float64(all[i].fans)),
			number(m.Memory), number(m.Cores), number(m.Jitter), m.Missed, number(m.Scrape))
	}
	return table.Flush()
}

// scaleRuns runs each of several set-ups so many times, in turn.
func scaleRuns(ctx context.Context, all []scaleOptions, runs int, tell io.Writer) ([][]scaled, error) {
	folder, err := os.MkdirTemp("", "bench")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	b := &bench{folder: folder, tell: tell}
	defer b.close()
	if b.program, err = b.build(ctx, "fanwarden"); err != nil {
		return nil, err
	}
	results := make([][]scaled, len(all))
	for n := range runs {
		for i := range all {
			fmt.Fprintf(tell, "run %d of %d: %d fans behind %d gateways\n", n+1, runs, all[i].fans, all[i].gateways)
			one, err := b.scaleUnexcused(ctx, &all[i])
			if err != nil {
				return nil, err
			}
			results[i] = append(results[i], *one)
		}
	}
	return results, nil
}

// triesAtMost is how often a run is taken again that the host spoilt.
const triesAtMost = 3

// scaleUnexcused runs until there is a run that the host has not spoilt, a few
// times at most.
func (b *bench) scaleUnexcused(ctx context.Context, o *scaleOptions) (*scaled, error) {
	for try := 1; ; try++ {
		one, err := b.scaleOnce(ctx, o)
		if err != nil || !one.excused() || try == triesAtMost {
			return one, err
		}
		fmt.Fprintln(b.tell, "excused and taken again: cycles started late or were missed, and a process that does nothing else overslept as well")
		printScale(b.tell, []scaled{*one}, *one)
	}
}
