package main

import (
	"bufio"
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"runtime"
	"time"

	"fanwarden/rules"
	"fanwarden/rules/condition"
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
	tally, err := replayed(ctx, rules.Divide(fleet, runtime.GOMAXPROCS(0)), file, flags.Arg(0), func(change *condition.Transition) error { return write(out, change) })
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
