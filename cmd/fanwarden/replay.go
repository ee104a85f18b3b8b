package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"time"

	"fanwarden/config"
	"fanwarden/poller/reading"
	"fanwarden/poller/recording"
	"fanwarden/rules"
	"fanwarden/rules/condition"
)

// Readings go from the file to the engine in batches, so that one core can
// parse while the other judges; all of them stay in the processor's cache.
const (
	batchSize    = 128
	batchesAhead = 8
)

// replay runs the rules over recorded readings and prints what they raise and
// clear. It ends with status 0 whatever it finds.
func replay(ctx context.Context, p *process, args []string) int {
	flags := flag.NewFlagSet("replay", flag.ContinueOnError)
	path := fleetFlag(flags)
	format := flags.String("format", "text", "text, or jsonl: one object a line")
	if err := p.parse(flags, args, 1, "--config FILE [--format text|jsonl] READINGS.csv", "config"); err != nil {
		return status(err)
	}
	write := map[string]func(io.Writer, *condition.Transition) error{"text": writeText, "jsonl": writeEvent}[*format]
	if write == nil {
		fmt.Fprintf(p.stderr, "fanwarden replay: --format %q is not known; it is text or jsonl\n", *format)
		return couldNotRun
	}
	fleet, good := p.loadFleet(*path)
	if !good {
		return couldNotRun
	}
	file, err := os.Open(flags.Arg(0))
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden replay:", err)
		return couldNotRun
	}
	defer file.Close()
	out := bufio.NewWriter(p.stdout)
	tally, err := replayed(ctx, fleet, file, flags.Arg(0), func(change *condition.Transition) error { return write(out, change) })
	err = errors.Join(err, out.Flush()) // what was found up to an error is printed too
	fmt.Fprintln(p.stderr, tally)
	if err != nil {
		fmt.Fprintln(p.stderr, "fanwarden replay:", err)
		return couldNotRun
	}
	return allWell
}

// tally counts what went through a replay.
type tally struct {
	readings, changes int
	unknown, late     uint64
	took              time.Duration
}

// String is the line that ends a replay.
func (t tally) String() string {
	line := fmt.Sprintf("%s judged in %s (%.0f a second), %s", count(t.readings, "reading"), t.took.Round(time.Millisecond),
		float64(t.readings)/max(t.took.Seconds(), 1e-9), count(t.changes, "change"))
	if t.unknown > 0 {
		line += fmt.Sprintf("; %d of fans that the fleet file does not have were passed over", t.unknown)
	}
	if t.late > 0 {
		line += fmt.Sprintf("; %d not newer than their fan's last were passed over", t.late)
	}
	if int(t.late) > t.readings/2 {
		line += "\nfanwarden replay: most readings are not in the order of time, so hardly anything was judged; sort the file by time, oldest first"
	}
	return line
}

// replayed runs the engine over a recording and tells every change.
func replayed(ctx context.Context, fleet *config.Fleet, in io.Reader, name string, tell func(*condition.Transition) error) (tally, error) {
	var t tally
	reader, err := recording.NewReader(in, name)
	if err != nil {
		return t, err
	}
	began := time.Now()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	full, empty := make(chan batch, batchesAhead), make(chan batch, batchesAhead)
	for range batchesAhead {
		empty <- batch{readings: make([]reading.Reading, batchSize)}
	}
	go parseBatches(ctx, reader, empty, full)
	engine := rules.New(fleet)
	var failed error
	for b := range full {
		for i := range b.readings {
			for _, change := range engine.Observe(&b.readings[i]) {
				t.changes++
				if err := tell(&change); err != nil {
					return t, err
				}
			}
		}
		t.readings += len(b.readings)
		failed = b.err
		b.readings = b.readings[:batchSize]
		empty <- b // never blocks: no more batches are about than it holds
	}
	t.unknown, t.late, t.took = engine.Unknown(), engine.Late(), time.Since(began)
	return t, errors.Join(failed, ctx.Err())
}

// batch is some readings in their order, and the error that came after them.
type batch struct {
	readings []reading.Reading
	err      error
}

// parseBatches fills batches until the end of the recording, the first error
// or the end of ctx.
func parseBatches(ctx context.Context, reader *recording.Reader, empty <-chan batch, full chan<- batch) {
	defer close(full)
	for err := error(nil); err == nil; {
		var b batch
		select {
		case b = <-empty:
		case <-ctx.Done():
			return
		}
		var n int
		n, err = reader.Read(b.readings)
		b.readings, b.err = b.readings[:n], nil
		if err != nil && err != io.EOF {
			b.err = err
		}
		full <- b // never blocks, likewise
	}
}

// writeText writes a change as one line for people.
func writeText(w io.Writer, c *condition.Transition) error {
	who := string(c.Fan)
	if who == "" {
		who = "gateway " + string(c.Gateway)
	}
	what := string(c.Change)
	if c.Reason != "" {
		what += " (" + string(c.Reason) + ")"
	}
	_, err := fmt.Fprintf(w, "%s  %s  %s %s, %s: %s\n", c.Time.Format(time.RFC3339), who, c.Condition, what, c.Severity, c.Summary)
	return err
}

// writeEvent writes a change as one line of JSON.
func writeEvent(w io.Writer, c *condition.Transition) error {
	text, err := c.MarshalJSON()
	if err != nil {
		return err
	}
	_, err = w.Write(append(text, '\n'))
	return err
}
